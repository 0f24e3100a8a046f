"""Templates of pages: what a stranger typed is always escaped, and a name that is not there is an error."""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment


@cache
def templates(package: str = "knurlsight.reporting") -> Environment:
    """The templates in the folder ``templates`` of a package, one environment for each package."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
