"""What pages made from accounts share: the environment of their templates, and the hashes of their content policies."""

from __future__ import annotations

import base64
import hashlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["content_hash", "templates_of"]


def content_hash(text: str) -> str:
    """Return the SHA-256 of a style or script, base64, as a content policy names it (W3C Content Security Policy 3)."""
    return base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def templates_of(package: str) -> Environment:
    """Return the environment of a package's ``templates``: everything escaped, an undefined name is an error."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    return Environment(
        loader=PackageLoader(package, "templates"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
