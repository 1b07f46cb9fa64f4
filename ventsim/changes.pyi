from ventsim.model.changes import *
