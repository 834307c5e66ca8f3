"""Papers: what people typed is shown and never acted on."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from config.papers import pdf

TEMPLATE = """
#import "/base.typ": data, paper
#show: paper.with(title: data.title)
#table(columns: 2, [What], [How many], ..data.rows.flatten().map(str))
"""


def test_a_paper_is_a_pdf_and_carries_who_printed_it(tmp_path: Path) -> None:
    template = tmp_path / "list.typ"
    template.write_text(TEMPLATE)
    made = pdf(template, {"title": "List", "rows": [["Cover", "3"]]}, printed_by="A. Person", printed_at="today")
    assert made.startswith(b"%PDF-1.7")
    assert len(made) > 2000


@given(text=st.text(max_size=40))
def test_no_text_is_markup(text: str) -> None:
    template = Path(__file__).with_name("list.typ")
    made = pdf(template, {"title": text, "rows": [[text, "#panic()"]]}, printed_by=text, printed_at="#panic()")
    assert made.startswith(b"%PDF-1.7")
