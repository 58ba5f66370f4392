"""Scores practice of ultrasound-guided needle sampling on gelatin phantoms."""

__version__: str


def __getattr__(name: str) -> str:
    if name != "__version__":
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    # Asked only when wanted: looking it up takes a tenth of a process's start.
    from importlib.metadata import version

    return version("needlecoach")
