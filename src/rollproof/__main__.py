"""`python -m rollproof`."""

from rollproof.cli import main

if __name__ == "__main__":
    main()
