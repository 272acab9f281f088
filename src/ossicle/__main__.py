"""`python -m ossicle`: the same as the command `ossicle`."""

from ossicle.cli import main

if __name__ == "__main__":
    main()
