"""Papers as PDF: a template in Typst and plain data. The data reach the template as JSON and are only ever shown as
text, so nothing that a person typed can act as markup."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import typst

# Fonts come with the library; nothing is fetched and no system font is read, so a paper looks the same everywhere.
BASE = Path(__file__).parent / "papers"


def pdf(template: Path, data: Mapping[str, object], *, printed_by: str, printed_at: str) -> bytes:
    """A PDF (bytes) from a Typst file that imports `paper` from "/base.typ" and reads its data with `data()`.

    Every page's foot names who printed it and when. Raises typst.TypstError for a template with a mistake in it:
    data cannot cause one.
    """
    source = (BASE / "base.typ").read_bytes()
    files: Any = {"main.typ": template.read_bytes(), "base.typ": source}
    return typst.compile(
        files,
        sys_inputs={"data": json.dumps(dict(data), default=str), "by": printed_by, "at": printed_at},
        ignore_system_fonts=True,
    )
