"""Where a batch is: in devices at sites, in stock, gone; and how far its recall is.

A serial's batch is on the serial, and its device says the site. Of items kept by batch the ledger's movements to and
from sites name their work, and the work its site: "visit 12", "proposal 3" or "site NB-0001". What no work names is
counted and shown as such, never guessed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from django.db import connection
from django.db.models import Count, F, OuterRef, Q, QuerySet, Subquery, Sum
from django.db.models.functions import Coalesce
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right
from config.keyset import KeysetPage, page
from installs.models import Site
from maintenance.models import Recall, RecallSite, Visit
from stock.models import BatchBalance, Item, Location, Serial

RECALL_ORDER = ("-id",)
SITE_ORDER = ("rank", "site__reference", "id")

# Pieces of a batch that are in use now, by site; NULL for those whose movement names no work that leads to a site.
IN_USE_SQL = r"""
    SELECT site_id, sum(pieces)::integer AS pieces FROM (
        SELECT y.site_id, count(*) AS pieces
        FROM stock_serial s
        JOIN installs_device d ON d.serial_id = s.id AND d.removed_on IS NULL
        JOIN installs_system y ON y.id = d.system_id
        WHERE s.item_id = %(item)s AND s.batch = %(batch)s
        GROUP BY y.site_id
        UNION ALL
        SELECT COALESCE(v.site_id, y.site_id, t.id), b.pieces
        FROM (
            SELECT m.reference, sum(CASE WHEN e.kind = 'site' THEN m.quantity ELSE -m.quantity END) AS pieces
            FROM stock_movement m
            JOIN stock_location a ON a.id = m.source_id
            JOIN stock_location e ON e.id = m.destination_id
            WHERE m.item_id = %(item)s AND m.batch = %(batch)s AND m.serial_id IS NULL
                AND (a.kind = 'site') <> (e.kind = 'site')
            GROUP BY m.reference
        ) AS b
        LEFT JOIN maintenance_visit v ON v.id = CASE WHEN b.reference ~ '^visit [0-9]{1,18}$'
            THEN substr(b.reference, 7)::bigint END
        LEFT JOIN maintenance_swapproposal p ON p.id = CASE WHEN b.reference ~ '^proposal [0-9]{1,18}$'
            THEN substr(b.reference, 10)::bigint END
        LEFT JOIN installs_device d ON d.id = p.device_id
        LEFT JOIN installs_system y ON y.id = d.system_id
        LEFT JOIN installs_site t ON t.reference = CASE WHEN b.reference LIKE 'site %%'
            THEN substr(b.reference, 6) END
    ) AS found
    GROUP BY site_id HAVING sum(pieces) <> 0
"""


@dataclass(frozen=True)
class StockRow:
    """Pieces of the batch at one place."""

    place: str
    kind: str
    quantity: int
    to_quarantine: bool  # in a store or van


@dataclass(frozen=True)
class BatchWhereabouts:
    """Where all pieces of a batch are; quantities in the item's unit."""

    item: Item
    batch: str
    sites: int
    in_use: int
    unnamed: int  # at sites, with no work that says at which
    stock: list[StockRow]
    elsewhere: int  # at places of other branches
    gone: int  # scrapped, written off or sent back
    open_recall: int | None

    @property
    def known(self) -> bool:
        return bool(self.in_use or self.unnamed or self.stock or self.elsewhere or self.gone)

    @property
    def to_move(self) -> int:
        return sum(row.quantity for row in self.stock if row.to_quarantine)


@dataclass(frozen=True)
class RecallRow:
    pk: int
    sku: str
    name: str
    batch: str
    reason: str
    made_at: datetime
    closed_at: datetime | None
    sites: int
    done: int

    @property
    def percent(self) -> int:
        return 100 * self.done // self.sites if self.sites else 100


@dataclass(frozen=True)
class RecallSiteRow:
    """A site of a recall. `visit_id` is the visit that it is on; `next_id` one that it could join."""

    pk: int
    site_id: int
    reference: str
    name: str
    town: str
    pieces: int
    in_use: int
    done_at: datetime | None
    visit_id: int | None
    visit_at: datetime | None
    visit_state: str
    engineer: str
    next_id: int | None
    next_at: datetime | None
    next_engineer: str


@dataclass(frozen=True)
class RecallDetail:
    recall: Recall
    row: RecallRow
    whereabouts: BatchWhereabouts
    sites: KeysetPage[RecallSiteRow]
    hidden: int  # sites of other branches


def pieces_in_use(item: Item, batch: str) -> dict[int | None, int]:
    """Pieces of a batch in use, by site's key. One statement, by the indexes of batches."""
    with connection.cursor() as cursor:
        cursor.execute(IN_USE_SQL, {"item": item.pk, "batch": batch})
        return dict(cursor.fetchall())


def _sites_of(user: User) -> QuerySet[Site]:
    """Sites whose part in a recall the person may know: for the stores the branch's, by reference only."""
    if user.has_right(Right.SEE_SITES):
        return Site.objects.visible_to(user)
    return Site.objects.all() if user.branch_id is None else Site.objects.filter(branch_id=user.branch_id)


def _held(item: Item, batch: str) -> list[tuple[int, str, str, int]]:
    """(location, name, kind, quantity) of a batch, everywhere. One statement."""
    if item.tracking == Item.Tracking.SERIAL:
        rows = (
            Serial.objects.filter(item=item, batch=batch, location__isnull=False)
            .values("location_id", "location__name", "location__kind").annotate(held=Count("id"))
        )
    else:
        rows = (
            BatchBalance.objects.filter(item=item, batch=batch).exclude(on_hand=0)
            .values("location_id", "location__name", "location__kind").annotate(held=Sum("on_hand"))
        )
    return [
        (row["location_id"], row["location__name"], row["location__kind"], row["held"])
        for row in rows.order_by("location__kind", "location__name")
    ]


def whereabouts(user: User, item: Item, batch: str) -> BatchWhereabouts:
    """Where a batch is, as far as the person may know; of other branches only how many. Five statements."""
    used = pieces_in_use(item, batch)
    held = _held(item, batch)
    seen = set(Location.objects.visible_to(user).filter(pk__in=[row[0] for row in held]).values_list("pk", flat=True))
    sites = [pk for pk in used if pk is not None]
    known = _sites_of(user).filter(pk__in=sites).count()
    recall = Recall.objects.filter(item=item, batch=batch, closed_at=None).values_list("pk", flat=True).first()
    own = [row for row in held if row[2] in Location.HELD]
    return BatchWhereabouts(
        item=item,
        batch=batch,
        sites=known,
        in_use=sum(pieces for pk, pieces in used.items() if pk is not None),
        unnamed=used.get(None, 0),
        stock=[
            StockRow(name, Location.Kind(kind).label, quantity, kind in {Location.Kind.STORE, Location.Kind.VAN})
            for pk, name, kind, quantity in own if pk in seen
        ],
        elsewhere=sum(quantity for pk, _name, _kind, quantity in own if pk not in seen),
        # Of outside places a batch's balance is what has gone there less what came from there.
        gone=sum(quantity for _pk, _name, kind, quantity in held
                 if kind == Location.Kind.SCRAP or (kind == Location.Kind.SUPPLIER and quantity > 0)),
        open_recall=recall,
    )


def recalls_of(user: User) -> QuerySet[Any]:
    """Recalls with how many of their sites the person may know, and how many of these are done."""
    sites = RecallSite.objects.filter(recall=OuterRef("pk"), site__in=_sites_of(user).values("pk")).order_by()
    counted = sites.values("recall").annotate(n=Count("id"), d=Count("done_at"))
    found = Recall.objects.select_related("item", "made_by").annotate(
        site_count=Coalesce(Subquery(counted.values("n")), 0), done_count=Coalesce(Subquery(counted.values("d")), 0)
    )
    return found if user.has_right(Right.RECALL_BATCHES) else found.none()


def recall_page(user: User, *, cursor: str | None = None, size: int = 30) -> KeysetPage[RecallRow]:
    """Recalls, the newest first. One statement."""
    found = page(recalls_of(user), RECALL_ORDER, cursor=cursor, size=size)
    return KeysetPage([_recall_row(recall) for recall in found.rows], found.next_cursor, found.first)


def _recall_row(recall: Any) -> RecallRow:
    return RecallRow(
        recall.pk, recall.item.sku, recall.item.name, recall.batch, recall.reason, recall.made_at, recall.closed_at,
        recall.site_count, recall.done_count,
    )


def recall_sites(user: User, recall: Recall) -> QuerySet[Any]:
    """The recall's sites that the person may know, those not done first. One statement."""
    live = Visit.objects.filter(
        site=OuterRef("site_id"), kind=Visit.Kind.SITE, state__in=(Visit.State.PLANNED, Visit.State.CONFIRMED),
        period__startswith__gte=timezone.now(),
    ).order_by("period", "id")
    return (
        RecallSite.objects.filter(recall=recall, site__in=_sites_of(user).values("pk"))
        .select_related("site", "visit__engineer__user")
        .annotate(
            rank=Coalesce(Q(done_at__isnull=False), False),
            next_id=Subquery(live.values("id")[:1]),
            next_from=Subquery(live.annotate(starts=F("period__startswith")).values("starts")[:1]),
            next_engineer=Subquery(live.values("engineer__user__name")[:1]),
        )
    )


def recall_detail(user: User, pk: int, *, cursor: str | None = None, size: int = 50) -> RecallDetail:
    """A recall, where its batch is now, and its sites. Nine statements. Raises Recall.DoesNotExist."""
    recall = recalls_of(user).get(pk=pk)
    used = pieces_in_use(recall.item, recall.batch)
    found = page(recall_sites(user, recall), SITE_ORDER, cursor=cursor, size=size)
    every = RecallSite.objects.filter(recall=recall).count()
    return RecallDetail(
        recall=recall,
        row=_recall_row(recall),
        whereabouts=whereabouts(user, recall.item, recall.batch),
        sites=KeysetPage([_site_row(row, used) for row in found.rows], found.next_cursor, found.first),
        hidden=every - recall.site_count,
    )


def _site_row(row: Any, used: dict[int | None, int]) -> RecallSiteRow:
    visit: Visit | None = row.visit
    stands = visit is not None and visit.state in (*Visit.LIVE, Visit.State.DONE)
    return RecallSiteRow(
        pk=row.pk, site_id=row.site_id, reference=row.site.reference, name=row.site.name, town=row.site.town,
        pieces=row.pieces, in_use=used.get(row.site_id, 0), done_at=row.done_at,
        visit_id=visit.pk if visit and stands else None,
        visit_at=timezone.localtime(visit.period.lower) if visit and stands else None,
        visit_state=visit.get_state_display() if visit and stands else "",
        engineer=visit.engineer.user.name if visit and stands else "",
        next_id=row.next_id, next_at=row.next_from, next_engineer=row.next_engineer or "",
    )


def site_lines(user: User, recall: Recall) -> Iterator[RecallSiteRow]:
    """Every site of a recall that the person may know, for a list on paper. Two statements."""
    used = pieces_in_use(recall.item, recall.batch)
    for row in recall_sites(user, recall).order_by(*SITE_ORDER).iterator(chunk_size=500):
        yield _site_row(row, used)


def lines_of(user: User) -> QuerySet[RecallSite]:
    """Sites of recalls that the person may know."""
    if not user.has_right(Right.RECALL_BATCHES):
        return RecallSite.objects.none()
    return RecallSite.objects.filter(site__in=_sites_of(user).values("pk")).select_related("recall__item", "site")


def recall_site(user: User, pk: int) -> RecallSite:
    """One site of a recall. One statement. Raises RecallSite.DoesNotExist."""
    return lines_of(user).get(pk=pk)


def line_to_plan(user: User, site: Site, text: str) -> RecallSite | None:
    """The recall's line that a visit to the site is planned for, from the page's address. One statement, if any."""
    if not text.isdecimal() or len(text) > 18:
        return None
    return lines_of(user).filter(pk=int(text), site=site, done_at=None, recall__closed_at=None).first()


def note_for(line: RecallSite) -> str:
    """What the engineer reads on a visit for a recall. No statement if the line came with its recall and item."""
    recall = line.recall
    return f"Recall of {recall.item.sku} batch {recall.batch}: {line.pieces} {recall.item.unit}. {recall.reason}"[:200]


def recalls_on_visit(visit_id: int) -> list[RecallSite]:
    """What a visit is to look at for recalls. One statement."""
    return list(
        RecallSite.objects.filter(visit_id=visit_id).select_related("recall__item").order_by("id")
    )
