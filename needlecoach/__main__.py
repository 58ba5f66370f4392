"""Lets `python -m needlecoach` stand for the command `needlecoach`."""

from needlecoach.cli import main

if __name__ == "__main__":
    main()
