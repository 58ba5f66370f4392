"""Lets `python -m needlecoach` stand for the command `needlecoach`."""

if __name__ == "__main__":
    # Imported here: the process that follows the needle runs this module again and needs no command.
    from needlecoach.cli import main

    main()
