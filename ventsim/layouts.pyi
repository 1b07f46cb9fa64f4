from ventsim.model.layouts import *
