"""Arguments that several commands take."""

from __future__ import annotations

from typing import Annotated

import typer

SitePath = Annotated[str, typer.Argument(metavar="SITE.toml", help="The site file.")]
Folder = Annotated[str | None, typer.Option(metavar="DIR")]
