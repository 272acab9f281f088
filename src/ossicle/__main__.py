"""`python -m ossicle`: the same as the command `ossicle`."""

import sys

from ossicle.cli import main

if __name__ == "__main__":
    sys.exit(main())
