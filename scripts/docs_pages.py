"""Pages of the documentation that are made from the code itself, as a hook of MkDocs: commands, Python, contracts."""

from __future__ import annotations

import json
import tomllib
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

from mkdocs.config.defaults import MkDocsConfig
from mkdocs.structure.files import File, Files

LAYERS = {
    "ossicle.scans": "Reading and writing scans",
    "ossicle.anatomy": "Dentitions and names",
    "ossicle.reading": "The reading",
    "ossicle.account": "The account",
    "ossicle.collection": "The collection",
    "ossicle.compare": "Comparison",
    "ossicle.publish.scoring": "Characters scored",
    "ossicle.publish.matrix": "Matrices",
    "ossicle.publish.tables": "Tables",
    "ossicle.publish.deposit": "Deposits",
    "ossicle.practice": "Practice specimens",
}


def on_files(files: Files, config: MkDocsConfig) -> Files:
    """Add the made pages (MkDocs calls this)."""
    for name, make in PAGES.items():
        files.append(File.generated(config, f"reference/{name}.md", content=make()))
    return files


def commands() -> str:
    """Every command with its arguments and options, from the program itself."""
    import typer
    from typer.main import get_command

    from ossicle.cli.app import app

    out = ["# Commands\n", "Made from `ossicle --help` and the help of each command.\n"]

    def show(command: Any, context: Any, path: str, depth: int) -> None:
        out.append(f"{'#' * depth} `{path}`\n")
        if command.help:
            out.append(_plain(command.help) + "\n")
        if getattr(command, "epilog", None):
            out.append(f"{_plain(command.epilog)}\n")
        rows = [p for p in command.params if not getattr(p, "hidden", False)]
        if rows and not getattr(command, "commands", None):
            out.append("| argument or option | meaning | default |\n|---|---|---|")
            for p in rows:
                names = (
                    ", ".join(f"`{n}`" for n in (*p.opts, *p.secondary_opts)) if p.param_type_name == "option" else ""
                )
                default = (
                    p.default if isinstance(p.default, str | int | float) and not isinstance(p.default, bool) else ""
                )
                out.append(f"| {names} | {_cell(getattr(p, 'help', None) or '')} | {_cell(str(default))} |")
            out.append("")
        for name, child in sorted(getattr(command, "commands", {}).items()):
            if not child.hidden:
                show(child, typer.Context(child, parent=context, info_name=name), f"{path} {name}", min(depth + 1, 4))

    root = get_command(app)
    show(root, typer.Context(root, info_name="ossicle"), "ossicle", 2)
    return "\n".join(out) + "\n"


def python() -> str:
    """The public names of each layer, from their docstrings."""
    out = [
        "# Python\n",
        "Arrays are in the order z, y, x; points are x, y, z in mm. `ossicle` itself holds `__version__` alone; take "
        "names from the layer that lists them (`__all__`), as `from ossicle.collection import Collection`. Names not "
        "shown here are private and may change.\n",
    ]
    for module, title in LAYERS.items():
        out.append(f"## {title}\n\n::: {module}\n    options:\n      heading_level: 3\n")
    return "\n".join(out)


def account_schema() -> str:
    """The JSON Schema of account.json."""
    from ossicle.account import schema

    text = json.dumps(schema(), indent=2, ensure_ascii=False)
    return (
        "# The account as data\n\n`account.json` follows this schema (JSON Schema, draft 2020-12), which ships with "
        f"the package: `ossicle.account.schema()`.\n\n```json\n{text}\n```\n"
    )


def methods() -> str:
    """What the accounts' methods are, with sources."""
    data = tomllib.loads(files("ossicle.account").joinpath("methods.toml").read_text("utf-8"))
    out = ["# Methods\n", "Each finding of an account names one of these.\n"]
    for name, said in sorted(data.items()):
        out.append(f"## {said['title']}\n\n`{name}`\n\n{_plain(said['text'])}\n\nSource: {_plain(said['source'])}\n")
    return "\n".join(out) + "\n"


def dentitions() -> str:
    """The dentitions that a reading compares with."""
    from ossicle.anatomy import load_dentitions

    out = [
        "# Dentitions\n",
        "What a reading compares with. *Status* says whether the formula was checked with its source.\n",
        "| name | family | order | formula | status | source |\n|---|---|---|---|---|---|",
    ]
    for name, d in sorted(load_dentitions().items()):
        out.append(f"| {name} | {d.family} | {d.order} | {d.formula} | {d.status} | {_cell(str(d.source))} |")
    return "\n".join(out) + "\n"


def _plain(text: str) -> str:
    return " ".join(text.split())


def _cell(text: str) -> str:
    return _plain(text).replace("|", "\\|").replace("<", "&lt;")


PAGES: dict[str, Callable[[], str]] = {
    "commands": commands,
    "python": python,
    "account-schema": account_schema,
    "methods": methods,
    "dentitions": dentitions,
}

if __name__ == "__main__":
    for page, made in PAGES.items():
        Path(f"{page}.md").write_text(made(), encoding="utf-8")
