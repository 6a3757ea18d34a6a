"""``python -m valuer`` is the same as ``valuer``."""

from valuer.cli import main

if __name__ == "__main__":
    main()
