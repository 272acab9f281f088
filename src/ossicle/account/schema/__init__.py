"""The JSON Schema of an account, and the check against it."""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files
from typing import Any

from ossicle.errors import OssicleError

__all__ = ["check", "schema"]


@lru_cache(maxsize=1)
def schema() -> dict[str, Any]:
    """Return the JSON Schema (draft 2020-12) of ``ossicle-account/1``."""
    text = files(__package__).joinpath("ossicle-account-1.json").read_text(encoding="utf-8")
    data: dict[str, Any] = json.loads(text)
    return data


def check(data: object, where: object = "account.json") -> None:
    """Raise `OssicleError` naming the first field that breaks the schema."""
    from jsonschema import Draft202012Validator
    from jsonschema.exceptions import best_match

    error = best_match(Draft202012Validator(schema()).iter_errors(data))
    if error is None:
        return
    field = "/".join(str(piece) for piece in error.absolute_path) or "the whole"
    raise OssicleError(
        f"{field} does not fit the schema ossicle-account/1 ({error.message[:200]})",
        where=where,
        mend="write the account again with `ossicle read --out`",
    )
