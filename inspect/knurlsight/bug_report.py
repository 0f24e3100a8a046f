"""What is kept of a bug of ours: a file with the details, so that one line on the screen is enough."""

from __future__ import annotations

import os
import platform
import sys
import tempfile
import traceback
from importlib.metadata import version


def bug_words(e: BaseException) -> str:
    """One line that names the bug and the file with its details, which is written here."""
    return f"a bug in knurlsight ({type(e).__name__}), not your doing; {_kept(e)}"


def _kept(e: BaseException) -> str:
    details = "\n".join(
        [
            f"knurlsight {version('knurlsight')}, Python {platform.python_version()}, {platform.platform()}",
            f"arguments: {sys.argv[1:]}",
            "".join(traceback.format_exception(e)),
        ]
    )
    try:
        handle, name = tempfile.mkstemp(prefix="knurlsight-bug-", suffix=".txt")
        with os.fdopen(handle, "w", encoding="utf-8") as file:
            file.write(details)
    except OSError:
        return "the details could not be written to a file"
    return f"the details are in {name}"
