"""The command that serves the pages for phone, tablet and desk."""

from __future__ import annotations

from typing import Annotated

import typer

from casebase.cli.frame import person_errors
from casebase.cli.main import Cases, app, case_folder


@app.command()
@person_errors
def serve(
    port: Annotated[int, typer.Option(min=1, max=65_535, help="The port on this machine.")] = 8017,
    lan: Annotated[bool, typer.Option("--lan", help="Let phone and tablet in too, on the local network, with a token.")] = False,
    new_token: Annotated[bool, typer.Option("--new-token", help="With --lan: make a new token, which ends all log-ins.")] = False,
    cases: Cases = None,
) -> None:
    """Open the whole tool in a browser: on this machine, or with --lan on a phone or tablet at the bench.

    Example: casebase serve --lan --cases cases
    """
    from casebase.serve import serve as run

    run(case_folder(cases), port, lan=lan, say=lambda text: print(text, flush=True), fresh_token=new_token)
