"""Where ``python -m ventsim`` and the command ``ventsim`` start."""

import sys

from ventsim.command import main

if __name__ == "__main__":
    sys.exit(main())
