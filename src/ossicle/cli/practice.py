"""The commands of the practice specimens."""

from __future__ import annotations

import typer

__all__ = ["app"]

app = typer.Typer(
    help="Invented specimens with known truth, to practise and to test on.",
    no_args_is_help=False,
    rich_markup_mode="rich",
)


@app.callback(invoke_without_command=True)
def practice(context: typer.Context) -> None:
    """Invented specimens with known truth, to practise and to test on."""
    if context.invoked_subcommand is None:
        print(context.get_help())
