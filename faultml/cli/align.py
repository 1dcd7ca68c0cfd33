"""``faultml align``: how the sensors sit on the arm, from three calibration movements."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from faultml.importing.alignment import Alignment


@click.command("align", short_help="Find how the sensors sit on the arm, from three movements.")
@click.argument("calibration", type=click.Path(path_type=Path, exists=True, dir_okay=False))
@click.option(
    "--layout",
    "layout_path",
    required=True,
    type=click.Path(path_type=Path, exists=True, dir_okay=False),
    help="Layout of the recorder's files; see docs/layouts.md.",
)
@click.option("--out", required=True, type=click.Path(path_type=Path, dir_okay=False), help="File to write.")
@click.option("--arm", type=click.Choice(["left", "right"]), help="The lead arm; else what the layout says.")
@click.option(
    "--movements",
    default="auto",
    metavar="auto|FILE",
    help="TOML with still_s, flex_extend_s and roll_s in seconds; else they are found in the recording.",
)
@click.option("--session", default="", help="Label of the session, kept in the file.")
def command(
    calibration: Path, layout_path: Path, out: Path, arm: str | None, movements: str, session: str
) -> None:
    """Read a CALIBRATION recording and write how the sensors sat on the arm, for the session's layout to name.

    The player holds still, flexes and extends the wrist along a table (toward the palm first), then rolls the forearm
    (palm up first); see docs/alignment.md. A recorder that gives wrist angles needs no roll.

    \b
    Example:
      faultml align calibration.csv --layout recorder.toml --arm left --out alignment.toml
    """
    from datetime import UTC, datetime

    from faultml.importing.alignment import save_alignment
    from faultml.importing.calibration import calibrate, load_movements
    from faultml.importing.layout import load_layout

    found = calibrate(
        calibration,
        load_layout(layout_path),
        arm=arm,  # type: ignore[arg-type]  # click has checked it
        movements=None if movements == "auto" else load_movements(Path(movements)),
        session=session,
        made=datetime.now(UTC).date().isoformat(),
    )
    save_alignment(found, out)
    click.echo("\n".join(_lines(found, out)))


def _lines(found: Alignment, out: Path) -> list[str]:
    at, residuals = found.movements, found.residuals
    lines = [
        f"still pose    {at.still_s[0]:6.1f} to {at.still_s[1]:.1f} s",
        f"flex, extend  {at.flex_extend_s[0]:6.1f} to {at.flex_extend_s[1]:.1f} s, "
        f"{residuals.hinge_deg:.1f} degrees off a hinge",
    ]
    if at.roll_s and residuals.roll_deg is not None:
        lines.append(
            f"forearm roll  {at.roll_s[0]:6.1f} to {at.roll_s[1]:.1f} s, "
            f"{residuals.roll_deg:.1f} degrees off one axis"
        )
    if found.turn_deg is not None:
        lines.append(f"The recorder sat turned {found.turn_deg:+.1f} degrees about the forearm.")
    return [
        *lines,
        f"What is left in doubt of the turn about the forearm: SD {found.mounting_sd_deg:.1f} degrees.",
        f"Written to {out}. Name it in the layout as alignment = {out.name!r}, beside the layout.",
    ]
