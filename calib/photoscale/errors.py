"""Everything that photoscale raises on purpose. Anything else that escapes is a bug.

::

    PhotoscaleError
    ├── PhotoError        the file cannot be read as a photo
    ├── ScaleWordError    the words that name the scale make no sense
    ├── ScaleNotFound     the photo is readable, the scale asked for is not in it or cannot be trusted
    ├── SceneError        scale and part do not go together into one scene
    └── RigError          a stored camera set-up is missing, damaged or does not fit the photo
"""

from __future__ import annotations


class PhotoscaleError(Exception):
    """What is wrong, and what to do about it.

    Parameters
    ----------
    what : str
        One line: which file or word, and what was found.
    hint : str
        What the user can do; may be empty.
    """

    def __init__(self, what: str, hint: str = "") -> None:
        super().__init__(what, hint)
        self.what = what
        self.hint = hint

    def __str__(self) -> str:
        return f"{self.what}; {self.hint}" if self.hint else self.what


class PhotoError(PhotoscaleError):
    """The file cannot be read as a photo."""


class ScaleWordError(PhotoscaleError):
    """The words that name the scale make no sense."""


class ScaleNotFound(PhotoscaleError):
    """The photo is readable, but the scale asked for is not in it or cannot be trusted."""


class SceneError(PhotoscaleError):
    """Scale and part do not go together into one scene."""


class RigError(PhotoscaleError):
    """A stored camera set-up is missing, damaged or does not fit the photo."""
