from ventsim.model.gas import *
