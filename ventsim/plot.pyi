from ventsim.view.plot import *
