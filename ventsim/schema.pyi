from ventsim.results.schema import *
