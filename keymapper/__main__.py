"""`python -m keymapper`."""

from keymapper.cli import main

if __name__ == "__main__":
    main()
