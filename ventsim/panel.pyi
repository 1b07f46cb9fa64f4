from ventsim.view.panel import *
