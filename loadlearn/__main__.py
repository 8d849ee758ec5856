"""``python -m loadlearn`` does what the command ``loadlearn`` does."""

from loadlearn.cli import main

if __name__ == "__main__":
    main()
