"""A page that opens offline, runs nothing and loads nothing: filled from a template, written whole or not at all."""

from __future__ import annotations

import base64
import hashlib
import re
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import TYPE_CHECKING, Final

from markupsafe import Markup

from faultml.errors import InputError, MissingExtraError
from faultml.results.folders import make_private

if TYPE_CHECKING:
    import jinja2

LINE_BREAKS: Final = re.compile(r"\n\s*")


def environment() -> jinja2.Environment:
    """The templates; text in them is escaped.

    Raises
    ------
    MissingExtraError
        Where Jinja2 is not installed.
    """
    try:
        import jinja2  # noqa: F401 - asked for each time: whether it is there
    except ImportError as error:
        install = "pip install 'faultml[report]'"
        raise MissingExtraError(
            "missing-extra", where="report", expected=install, found="no Jinja2"
        ) from error
    return _compiled()


@lru_cache(maxsize=1)
def _compiled() -> jinja2.Environment:
    """The templates, each compiled once however many pages are filled."""
    import jinja2

    return jinja2.Environment(
        loader=jinja2.PackageLoader("faultml.report"),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=jinja2.StrictUndefined,
    )


@lru_cache(maxsize=4)
def style(sheet: str) -> str:
    """A style sheet of ``templates`` as it stands on a page, or the policy's hash would not fit."""
    text = resources.files("faultml.report").joinpath(f"templates/{sheet}").read_text(encoding="utf-8")
    return LINE_BREAKS.sub("\n", text)


def fill_part(template: str, **content: object) -> Markup:
    """A part of a page, for a page that brings `style` itself; raises as `environment` does."""
    return Markup(LINE_BREAKS.sub("\n", environment().get_template(template).render(**content)))


def fill(template: str, sheet: str, **content: object) -> str:
    """The page of a template, with a policy that lets nothing in but the style sheet on the page.

    Parameters
    ----------
    template, sheet
        Names of files in ``templates``; the template gets `style` and `policy` beside `content`.

    Raises
    ------
    MissingExtraError
        Where Jinja2 is not installed.
    """
    digest = base64.b64encode(hashlib.sha256(style(sheet).encode()).digest()).decode()
    policy = f"default-src 'none'; style-src 'sha256-{digest}'; base-uri 'none'; form-action 'none'"
    return str(fill_part(template, style=Markup(style(sheet)), policy=policy, **content))


def write_page(text: str, out: Path) -> None:
    """Write a page to `out`, whole or not at all; its folder exists.

    Raises
    ------
    InputError
        ``not-writable`` where the file cannot be written.
    """
    part = out.with_name(f".{out.name}.part")
    try:
        part.write_text(text, encoding="utf-8")
        make_private(part)
        part.replace(out)
    except OSError as error:
        raise InputError("not-writable", where=str(out), found=error.strerror or str(error)) from error
