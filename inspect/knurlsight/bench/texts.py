"""The words of the page, one file a language: ``texts/en.toml``. Verdicts and reasons come from the measuring."""

from __future__ import annotations

import tomllib
from functools import cache
from importlib import resources
from typing import Any

LANGUAGE = "en"


@cache
def texts(language: str = LANGUAGE) -> dict[str, Any]:
    """All words of a language, by section and key."""
    file = resources.files("knurlsight.bench") / "texts" / f"{language}.toml"
    return tomllib.loads(file.read_text(encoding="utf-8"))
