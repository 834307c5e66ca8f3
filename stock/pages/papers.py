"""The pick list on paper: of one transfer, or the walk through a store for all its vans."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from config.accounts.models import User
from config.papers import pdf
from stock.models import Transfer
from stock.queries.transfers import LineRow
from stock.rules.codes import code_of

TEMPLATE = Path(__file__).resolve().parents[1] / "papers" / "pick_list.typ"


def pick_list_pdf(
    pairs: Sequence[tuple[Transfer, LineRow]], *, title: str, store: str, by: User, now: datetime
) -> bytes:
    """A PDF with one row for each line, in the order given, to tick off on paper."""
    several = len({transfer.pk for transfer, _ in pairs}) > 1
    data = {
        "title": title,
        "store": store,
        "several": several,
        "parcels": [
            {"number": transfer.number, "to": transfer.destination.name, "note": transfer.note}
            for transfer in {t.pk: t for t, _ in pairs}.values()
        ],
        "rows": [
            {
                "bin": line.bin, "sku": line.sku, "name": line.name, "wanted": f"{line.wanted} {line.unit}",
                "to": transfer.destination.name, "number": transfer.number,
                "why": "; ".join(line.why), "shortage": line.shortage, "batch": line.batch,
                "tracked": "serial numbers" if line.by_serial else "batch" if line.by_batch else "",
                "code": code_of("item", line.item_id),
            }
            for transfer, line in pairs
        ],
    }
    return pdf(TEMPLATE, data, printed_by=by.name, printed_at=f"{now:%-d %b %Y, %H:%M}")
