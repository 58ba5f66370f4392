"""Where the command `needlecoach` and `python -m needlecoach` begin."""

import sys


def main() -> None:
    """Run the command line."""
    # Imported here: processes that follow needles or read results run this module again and need no command.
    try:
        from needlecoach.cli import main as run

        run()
    except KeyboardInterrupt:  # while it was being loaded
        sys.exit(130)


if __name__ == "__main__":
    main()
