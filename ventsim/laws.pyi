from ventsim.model.laws import *
