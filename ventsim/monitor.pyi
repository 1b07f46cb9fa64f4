from ventsim.results.monitor import *
