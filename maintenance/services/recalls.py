"""Recalls of a batch: making one, putting its stock aside, joining visits, ticking sites off, closing."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from django.db import IntegrityError, connection, transaction
from django.db.models import Exists, OuterRef
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right
from config.errors import Conflict, InvalidInput, NotAllowed, ZonewrightError
from installs.models import Site
from maintenance.models import Recall, RecallSite, Visit
from maintenance.queries.recalls import IN_USE_SQL
from maintenance.services.visits import plan_visit
from stock.models import BatchBalance, Item, Location, Movement, Serial
from stock.services.quarantine import put_batch_in_quarantine

_SITES_SQL = f"""
    INSERT INTO maintenance_recallsite (recall_id, site_id, pieces)
    SELECT %(recall)s, site_id, pieces FROM ({IN_USE_SQL}) AS used
    WHERE site_id IS NOT NULL AND pieces > 0
    ORDER BY site_id
    ON CONFLICT (recall_id, site_id) DO UPDATE SET pieces = EXCLUDED.pieces
        WHERE maintenance_recallsite.pieces <> EXCLUDED.pieces
"""  # noqa: S608 - fixed text


@transaction.atomic
def make_recall(item: Item, *, batch: str, reason: str, by: User) -> Recall:
    """Recall a batch: its sites in use become the list to visit, of every branch, in three statements.

    Raises InvalidInput without a reason or for a batch of which there is nothing, Conflict while one is open.
    """
    batch = batch.strip()
    if not reason.strip():
        raise InvalidInput("A recall needs a reason.", field="reason", remedy="Say what is wrong with the batch.")
    if not _exists(item, batch):
        raise InvalidInput(f"No piece of {item.sku} with the batch {batch!r} was ever received.", field="batch",
                           value=batch, remedy="Compare the number with the label or the delivery note.")
    try:
        with transaction.atomic():
            recall = Recall.objects.create(item=item, batch=batch, reason=reason.strip(), made_by=by)
    except IntegrityError as error:
        # Of two people who press at once the database lets one through.
        raise Conflict(f"Batch {batch} of {item.sku} is being recalled already.", field="batch", value=batch,
                       remedy="Open that recall and bring its list of sites up to date.") from error
    _write_sites(recall)
    return recall


def _exists(item: Item, batch: str) -> bool:
    if not batch:
        return False
    if item.tracking == Item.Tracking.SERIAL:
        return Serial.objects.filter(item=item, batch=batch).exists()
    return Movement.objects.filter(item=item, batch=batch).exists()


def _write_sites(recall: Recall) -> int:
    with connection.cursor() as cursor:
        cursor.execute(_SITES_SQL, {"recall": recall.pk, "item": recall.item_id, "batch": recall.batch})
        return int(cursor.rowcount)


@transaction.atomic
def refresh_sites(recall: Recall, *, by: User) -> int:
    """Add the sites that the batch has come to since. Returns how many lines changed. Raises Conflict when closed."""
    _open(recall)
    return _write_sites(recall)


@dataclass
class PutAside:
    """How many pieces went into quarantine, and what could not, in words."""

    moved: int = 0
    refused: list[str] = field(default_factory=list)


def put_stock_aside(recall: Recall, *, by: User) -> PutAside:
    """Move the batch's pieces in the stores and vans that the person sees into their branch's quarantine.

    Place by place: what one place refuses (it is reserved, or there is no quarantine) is told and stops no other. A
    repeat finds nothing more to move. Raises Conflict when the recall is closed.
    """
    _open(recall)
    item = recall.item
    places = (
        Location.objects.visible_to(by)
        .filter(_holds(item, recall.batch), kind__in=(Location.Kind.STORE, Location.Kind.VAN)).order_by("pk")
    )
    aside = {
        place.branch_id: place
        for place in Location.objects.visible_to(by).filter(kind=Location.Kind.QUARANTINE).order_by("-pk")
    }
    done = PutAside()
    for place in places:
        goal = aside.get(place.branch_id)
        if goal is None:
            done.refused.append(f"{place} has no quarantine in its branch.")
            continue
        try:
            done.moved += put_batch_in_quarantine(
                item, recall.batch, source=place, destination=goal, by=by, reference=f"recall {recall.pk}",
                note=f"Recall: {recall.reason}"[:200],
            )
        except ZonewrightError as refused:
            done.refused.append(f"{place}: {refused}")
    return done


def _holds(item: Item, batch: str) -> Exists:
    """Whether a place holds any of the batch."""
    if item.tracking == Item.Tracking.SERIAL:
        return Exists(Serial.objects.filter(item=item, batch=batch, location=OuterRef("pk")))
    return Exists(BatchBalance.objects.filter(item=item, batch=batch, location=OuterRef("pk"), on_hand__gt=0))


@transaction.atomic
def join_visit(line: RecallSite, visit: Visit, *, by: User) -> RecallSite:
    """Put the recall's work at a site on a visit there. Raises Conflict or InvalidInput."""
    line = _line(line)
    if visit.site_id != line.site_id or visit.kind != Visit.Kind.SITE:
        raise InvalidInput(f"Visit {visit.pk} does not go to {line.site.reference}.", field="visit", value=visit.pk,
                           remedy="Choose a site visit to this site.")
    if visit.state not in Visit.LIVE:
        raise Conflict(f"The visit is {visit.get_state_display().lower()}.", field="visit", value=visit.pk,
                       remedy="Choose a visit that is still to come, or plan one.")
    line.visit = visit
    line.save(update_fields=["visit"])
    return line


@transaction.atomic
def plan_for_recall(line: RecallSite, site: Site, *, by: User, **planned: Any) -> Visit:
    """Plan a visit for a site's recall and put the recall on it. Takes and raises what plan_visit does."""
    visit = plan_visit(site, by=by, **planned)
    join_visit(line, visit, by=by)
    return visit


@transaction.atomic
def tick_off(line: RecallSite, *, by: User) -> RecallSite:
    """Mark a site as done without a visit of its own (the customer sent the piece in, it was found to be another).

    Raises NotAllowed for those who plan no visits, Conflict when done or closed.
    """
    if not by.has_right(Right.PLAN_VISITS):
        raise NotAllowed("Only who plans visits ticks sites off.", field="role", value=by.role,
                         remedy="Ask the service scheduler.")
    line = _line(line)
    line.done_at = timezone.now()
    line.save(update_fields=["done_at"])
    return line


def visit_is_done(visit: Visit) -> int:
    """Tick off the recalls that a finished visit was to look at. One statement, in the caller's transaction."""
    return RecallSite.objects.filter(visit=visit, done_at=None).update(done_at=timezone.now())


@transaction.atomic
def close_recall(recall: Recall, *, by: User) -> Recall:
    """End a recall. Raises Conflict when it has ended, or while a site is not done."""
    recall = _open(recall)
    left = recall.sites.filter(done_at=None).count()
    if left:
        raise Conflict(
            f"{left} site{'s are' if left != 1 else ' is'} not done yet.", field="sites", value=left,
            remedy="Visit them, or tick off what was settled otherwise; sites of other branches count as well.",
        )
    recall.closed_at = timezone.now()
    recall.save(update_fields=["closed_at"])
    return recall


def _open(recall: Recall) -> Recall:
    """The recall as it stands, locked where a transaction is open. Raises Conflict when it is closed."""
    rows = Recall.objects.select_related("item")
    if connection.in_atomic_block:
        rows = rows.select_for_update(of=("self",))
    now = rows.get(pk=recall.pk)
    if now.closed_at is not None:
        raise Conflict("The recall is closed.", field="recall", value=recall.pk,
                       remedy="Make a new one if the batch turns up again.")
    return now


def _line(line: RecallSite) -> RecallSite:
    now = RecallSite.objects.select_for_update(of=("self",)).select_related("recall", "site").get(pk=line.pk)
    if now.recall.closed_at is not None:
        raise Conflict("The recall is closed.", field="recall", value=now.recall_id, remedy="Read the list again.")
    if now.done_at is not None:
        raise Conflict(f"{now.site.reference} is done already.", field="site", value=now.site.reference,
                       remedy="Read the list again.")
    return now
