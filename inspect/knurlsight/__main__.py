"""``python -m knurlsight``: the same as the command ``knurlsight``."""

from knurlsight.cli import main

if __name__ == "__main__":
    main()
