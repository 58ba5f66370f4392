"""Where the command `needlecoach` and `python -m needlecoach` begin."""


def main() -> None:
    """Run the command line."""
    # Imported here: processes that follow needles or read results run this module again and need no command.
    from needlecoach.cli import main as run

    run()


if __name__ == "__main__":
    main()
