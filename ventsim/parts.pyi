from ventsim.model.parts import *
