"""Lets ``python -m dualmic`` do what the ``dualmic`` command does."""

from dualmic.cli import main

if __name__ == "__main__":
    main()
