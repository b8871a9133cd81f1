"""The command that writes a page for clicking."""

from pathlib import Path
from typing import Annotated

import typer

from outcomes.cli.app import app
from outcomes.cli.spoken import wrong_use
from outcomes.errors import CannotAnswer, InputError, OutputRefused


@app.command()
def click(
    scan: Annotated[
        Path,
        typer.Argument(
            metavar="SCAN", exists=True, dir_okay=False, help="Start scan: .stl, .ply or .obj."
        ),
    ],
    arch: Annotated[str, typer.Option(help="upper or lower.")],
    out: Annotated[Path, typer.Option("--out", help="Page to write, such as clicks.html.")],
    landmarks: Annotated[
        Path | None, typer.Option(exists=True, dir_okay=False, help="Clicks (.csv) to go on with.")
    ] = None,
    unit: Annotated[str, typer.Option(help="Of the scan: mm, cm, m or inch.")] = "mm",
) -> None:
    """Write a page on which the crowns of a scan are clicked; it gives the landmarks CSV."""
    from outcomes.measure.clicking import click_page

    try:
        page = click_page(scan, out, arch=arch, landmarks=landmarks, unit=unit)
    except (InputError, OutputRefused, CannotAnswer) as error:
        wrong_use(str(error))
    typer.echo(f"Wrote {page}. Open it in a browser, click each crown, and press Save.")
