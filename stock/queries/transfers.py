"""Reads of transfers: the lists, one document, what a scan means, and what 'on the way' should hold."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date
from typing import Any

from django.db import connection
from django.db.models import Count, F, Q, QuerySet, Sum

from config.accounts.models import User
from config.accounts.rights import Right, Role
from config.keyset import KeysetPage, page
from stock.models import (
    BatchBalance,
    BinPlace,
    Item,
    Location,
    Serial,
    Transfer,
    TransferLine,
    TransferPiece,
)
from stock.queries.transfer_people import refusal_to_confirm, refusal_to_send, refusal_to_settle
from stock.rules.codes import read_code
from stock.rules.top_up import bin_key

TRANSFER_ORDER = ("-id",)
State = Transfer.State
# What the list can show; "" is everything that is still open.
SHOWS = {
    "": "Everything open", "to-pick": "To pick", "on-way": "On the way", "differences": "With an open difference",
    "to-me": "On the way to my van", "done": "Confirmed or cancelled",
}


# --- lists -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class TransferRow:
    id: int
    number: str
    source: str
    destination: str
    purpose: str
    state: str
    state_words: str
    lines: int
    wanted: int
    sent: int
    missing: int
    made_at: Any
    sent_at: Any
    note: str

    @property
    def tag(self) -> str:
        if self.state == State.CONFIRMED:
            return "bad" if self.missing else "ok"
        return {State.TO_PICK: "warn", State.SENT: "info"}.get(State(self.state), "")


def _open_difference() -> Q:
    """Transfers with something not accounted for. Asked first by their own index: the planner takes a third of all
    lines for open, and would read the transfers of years. One statement."""
    lines = TransferLine.objects.filter(sent__gt=F("arrived") + F("settled"))
    return Q(pk__in=set(lines.values_list("transfer_id", flat=True)))


def transfers(user: User, *, show: str = "", location: int | None = None) -> QuerySet[Transfer]:
    """Transfers that the person sees, for TRANSFER_ORDER. One statement; one more for those with a difference."""
    rows = Transfer.objects.visible_to(user)
    if user.role == Role.ENGINEER:
        rows = rows.filter(Q(source__engineer=user) | Q(destination__engineer=user))
    match show:
        case "to-pick":
            rows = rows.filter(state=State.TO_PICK)
        case "on-way":
            rows = rows.filter(state=State.SENT)
        case "to-me":
            rows = rows.filter(state=State.SENT, destination__engineer=user)
        case "differences":
            rows = rows.filter(_open_difference(), state=State.CONFIRMED)
        case "done":
            rows = rows.filter(state__in=(State.CONFIRMED, State.CANCELLED))
        case "all":
            pass
        case _:
            rows = rows.filter(
                Q(state__in=(State.TO_PICK, State.SENT)) | (_open_difference() & Q(state=State.CONFIRMED))
            )
    if location is not None:
        rows = rows.filter(Q(source_id=location) | Q(destination_id=location))
    return rows


def transfer_page(
    user: User, *, show: str = "", location: int | None = None, cursor: str | None = None, size: int = 50
) -> KeysetPage[TransferRow]:
    """One page of transfers, newest first. Two statements (one when the page is empty), and one more where open
    differences are asked for."""
    found = page(
        transfers(user, show=show, location=location).select_related("source", "destination"),
        TRANSFER_ORDER, cursor=cursor, size=size,
    )
    sums: dict[int, Any] = {
        row["transfer"]: row
        for row in TransferLine.objects.filter(transfer__in=[t.pk for t in found.rows]).values("transfer").annotate(
            lines=Count("pk"), all_wanted=Sum("wanted"), all_sent=Sum("sent"),
            missing=Sum(F("sent") - F("arrived") - F("settled")),
        )
    } if found.rows else {}
    rows = [_row(transfer, sums.get(transfer.pk, {})) for transfer in found.rows]
    return KeysetPage(rows, found.next_cursor, found.first)


def _row(transfer: Transfer, sums: Mapping[str, Any]) -> TransferRow:
    missing = sums.get("missing") or 0
    words = transfer.get_state_display()
    if transfer.state == State.SENT:
        words = "On the way"
    elif transfer.state == State.CONFIRMED and missing:
        words = f"{missing} did not arrive"
    return TransferRow(
        id=transfer.pk, number=transfer.number, source=transfer.source.name, destination=transfer.destination.name,
        purpose=transfer.get_purpose_display(), state=transfer.state, state_words=words, lines=sums.get("lines") or 0,
        wanted=sums.get("all_wanted") or 0, sent=sums.get("all_sent") or 0, missing=missing,
        made_at=transfer.made_at, sent_at=transfer.sent_at, note=transfer.note,
    )


def sources(user: User) -> QuerySet[Location]:
    """Places that the person may send from. One statement."""
    places = Location.objects.visible_to(user).counted().order_by("name")
    return places if user.has_right(Right.MOVE_STOCK) else places.filter(engineer=user)


def destinations(user: User) -> QuerySet[Location]:
    """Places that the person may send to: an engineer brings back to the stores of the branch. One statement."""
    places = Location.objects.visible_to(user).counted().order_by("name")
    return places if user.has_right(Right.MOVE_STOCK) else places.exclude(kind=Location.Kind.VAN)


def known_items(*, most: int = 2000) -> list[tuple[str, str]]:
    """Stock numbers and names to choose from. One statement."""
    return list(Item.objects.order_by("sku").values_list("sku", "name")[:most])


def find_item(text: str) -> Item | None:
    """The item of a stock number or label, as typed or scanned. One statement."""
    text = text.strip()
    code = read_code(text)
    if code is not None:
        return Item.objects.filter(pk=code.number).first() if code.kind == "item" else None
    return None if "\0" in text else Item.objects.filter(sku__in={text, text.upper(), text.lower()}).first()


# --- one document ----------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class PieceRow:
    serial_id: int
    number: str
    arrived: bool
    missing: bool


@dataclass(frozen=True)
class LineRow:
    """One line as shown; quantities in the item's unit."""

    id: int
    item_id: int
    sku: str
    name: str
    unit: str
    tracking: str
    batch: str
    bin: str
    wanted: int
    sent: int
    arrived: int
    settled: int
    why: list[str]
    short_reason: str
    shortage: str
    history: list[str]
    pieces: list[PieceRow] = field(default_factory=list)
    batches: list[tuple[str, int]] = field(default_factory=list)
    choices: list[tuple[int, str]] = field(default_factory=list)

    @property
    def missing(self) -> int:
        return self.sent - self.arrived - self.settled

    @property
    def by_serial(self) -> bool:
        return self.tracking == Item.Tracking.SERIAL

    @property
    def by_batch(self) -> bool:
        return self.tracking == Item.Tracking.BATCH

    @property
    def touched(self) -> bool:
        """Somebody has said what was picked."""
        return self.sent > 0 or bool(self.short_reason)

    @property
    def to_go(self) -> int:
        return max(0, self.wanted - self.sent)


@dataclass(frozen=True)
class TransferDetail:
    transfer: Transfer
    lines: list[LineRow]
    may_send: bool
    may_settle: bool
    confirm_refusal: str

    @property
    def may_confirm(self) -> bool:
        return not self.confirm_refusal

    @property
    def missing(self) -> int:
        return sum(line.missing for line in self.lines)

    @property
    def wanted(self) -> int:
        return sum(line.wanted for line in self.lines)

    @property
    def sent(self) -> int:
        return sum(line.sent for line in self.lines)

    @property
    def arrived(self) -> int:
        return sum(line.arrived for line in self.lines)

    @property
    def done_lines(self) -> int:
        return sum(line.touched or not line.wanted for line in self.lines)


def transfer_detail(user: User, pk: int) -> TransferDetail:
    """One transfer, its lines in bin order. Raises Transfer.DoesNotExist.

    Four statements; two more for pieces and batches to choose from while it is to be picked, one more for who may
    confirm while it is on the way to a place that the person answers for and sent to.
    """
    transfer = (
        Transfer.objects.visible_to(user)
        .select_related("source", "destination", "made_by", "sent_by", "confirmed_by")
        .get(pk=pk)
    )
    lines = transfer_lines([transfer])
    if transfer.state == State.TO_PICK:
        lines = with_choices(lines, transfer.source)
    return TransferDetail(
        transfer=transfer,
        lines=[row for _, row in lines],
        may_send=not refusal_to_send(user, transfer.source),
        may_settle=not refusal_to_settle(user, transfer),
        confirm_refusal=refusal_to_confirm(user, transfer) if transfer.state == State.SENT else "not on the way",
    )


def transfer_lines(found: Sequence[Transfer]) -> list[tuple[Transfer, LineRow]]:
    """The lines of transfers, in bin order of their sources. Three statements."""
    by_key = {transfer.pk: transfer for transfer in found}
    lines = list(TransferLine.objects.filter(transfer__in=by_key).select_related("item").order_by("pk"))
    bins = {
        (row.location_id, row.item_id): row.code
        for row in BinPlace.objects.filter(
            location__in={t.source_id for t in found}, item__in={line.item_id for line in lines}
        )
    }
    pieces: dict[int, list[PieceRow]] = {}
    rows = TransferPiece.objects.filter(line__transfer__in=by_key).select_related("serial", "line")
    for piece in rows.order_by("serial__number", "pk"):
        sent = by_key[piece.line.transfer_id].state in {State.SENT, State.CONFIRMED}
        missing = sent and not piece.arrived and not piece.settled
        pieces.setdefault(piece.line_id, []).append(
            PieceRow(piece.serial_id, piece.serial.number, piece.arrived, missing)
        )
    shown = [
        (by_key[line.transfer_id],
         _line_row(line, bins.get((by_key[line.transfer_id].source_id, line.item_id), ""), pieces.get(line.pk, [])))
        for line in lines
    ]
    return sorted(shown, key=lambda pair: (bin_key(pair[1].bin), pair[1].sku, pair[0].destination.name, pair[1].id))


def _line_row(line: TransferLine, code: str, pieces: list[PieceRow]) -> LineRow:
    notes: dict[str, list[dict[str, Any]]] = {}
    for note in line.reasons:
        notes.setdefault(note["kind"], []).append(note)
    why = [note["text"] for kind in ("work", "level", "asked") for note in notes.get(kind, []) if note["text"]]
    return LineRow(
        id=line.pk, item_id=line.item_id, sku=line.item.sku, name=line.item.name, unit=line.item.unit,
        tracking=line.item.tracking, batch=line.batch, bin=code, wanted=line.wanted, sent=line.sent,
        arrived=line.arrived, settled=line.settled, why=why,
        short_reason=" ".join(note["text"] for note in notes.get("short", [])),
        shortage=" ".join(note["text"] for note in notes.get("shortage", [])),
        history=[
            f"{note['quantity']} {line.item.unit}: {note['text']} "
            f"({note['by']}, {date.fromisoformat(note['at']):%-d %b %Y})"
            for note in notes.get("settled", [])
        ],
        pieces=pieces,
    )


def with_choices(
    rows: list[tuple[Transfer, LineRow]], source: Location, *, most: int = 200
) -> list[tuple[Transfer, LineRow]]:
    """Serials and batches at the source to choose from, oldest first, put to each line. Two statements."""
    serials: dict[int, list[tuple[int, str]]] = {}
    wanted = {row.item_id for _, row in rows if row.by_serial}
    found = Serial.objects.filter(location=source, item__in=wanted).order_by("pk")
    for key, item_id, number in found.values_list("pk", "item_id", "number")[: most * max(1, len(wanted))]:
        serials.setdefault(item_id, []).append((key, number))
    batches: dict[int, list[tuple[str, int]]] = {}
    held = BatchBalance.objects.filter(
        location=source, item__in={row.item_id for _, row in rows if row.by_batch}, on_hand__gt=0
    ).order_by("pk")
    for item_id, batch, quantity in held.values_list("item_id", "batch", "on_hand"):
        batches.setdefault(item_id, []).append((batch, quantity))
    for _, row in rows:
        row.choices.extend(serials.get(row.item_id, [])[:most])
        row.batches.extend(batches.get(row.item_id, []))
    return rows


# --- scanning --------------------------------------------------------------------------------------------------------


def scanned(transfer: Transfer, text: str) -> tuple[Item | None, Serial | None]:
    """What a scanned or typed text means for this transfer: a piece (at its source, or in the parcel), or an item.

    One statement for a label's code, at most two for a number. (None, None) when it is neither.
    """
    text = text.strip()
    if not text or "\0" in text:
        return None, None
    code = read_code(text)
    spelled = {text, text.upper(), text.lower()}
    pieces = Serial.objects.select_related("item").order_by("pk")
    if code is not None and code.kind == "item":
        return Item.objects.filter(pk=code.number).first(), None
    if code is not None and code.kind == "serial":
        pieces = pieces.filter(pk=code.number)
    elif code is None:
        pieces = pieces.filter(number__in=spelled)
        here = (
            Q(location=transfer.source_id) if transfer.state == State.TO_PICK
            else Q(pk__in=TransferPiece.objects.filter(line__transfer=transfer).values("serial"))
        )
        # Two items may use the same number: what is here goes first.
        pieces = pieces.annotate(here=Count("pk", filter=here)).order_by("-here", "pk")
    else:
        return None, None
    serial = pieces.first()
    if serial is not None:
        return serial.item, serial
    return (Item.objects.filter(sku__in=spelled).first() if code is None else None), None


# --- proof -----------------------------------------------------------------------------------------------------------

# What stands on the way, by the ledger and by the parcels; the nightly check reads it too.
TRANSIT_SQL = """
    WITH held AS (
        SELECT b.item_id, sum(b.on_hand) AS quantity FROM stock_balance b JOIN stock_location l ON l.id = b.location_id
        WHERE l.kind = 'transit' GROUP BY b.item_id
    ), should AS (
        SELECT n.item_id, sum(n.sent - n.arrived - n.settled) AS quantity
        FROM stock_transferline n JOIN stock_transfer t ON t.id = n.transfer_id
        WHERE t.state IN ('sent', 'confirmed') AND n.sent > n.arrived + n.settled GROUP BY n.item_id
    )
    SELECT item_id, COALESCE(h.quantity, 0) AS held, COALESCE(s.quantity, 0) AS should
    FROM held h FULL JOIN should s USING (item_id)
    WHERE COALESCE(h.quantity, 0) <> COALESCE(s.quantity, 0)
    ORDER BY item_id
"""


@dataclass(frozen=True)
class TransitDifference:
    """`held`: what the ledger has on the way; `should`: sent less arrived less settled over all transfers."""

    item_id: int
    held: int
    should: int


def transit_difference() -> list[TransitDifference]:
    """Items of which 'on the way' holds something else than the open transfers say. Empty when all is well.

    For the reconciliation, so not scoped to a person. One statement.
    """
    with connection.cursor() as cursor:
        cursor.execute(TRANSIT_SQL)
        return [TransitDifference(*map(int, row)) for row in cursor.fetchall()]


def parcels_to(user: User) -> int:
    """How many parcels are on the way to the person's own van. One statement."""
    return Transfer.objects.filter(state=State.SENT, destination__engineer=user).count()
