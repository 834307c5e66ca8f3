"""What a person sees of the swaps: proposals, one proposal in full, why a cover is not proposed, unmet needs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

from django.db import connection
from django.db.models import Case, F, IntegerField, Min, Q, QuerySet, Value, When
from django.db.models.functions import Now
from django.utils import timezone

from config.accounts.models import User
from config.accounts.rights import Right, Role
from installs.models import Device, Site
from installs.rules.settings import label, shown
from maintenance.models import SwapNeed, SwapProposal, SwapVerdict, Visit
from maintenance.queries.scope import of_sites
from maintenance.queries.swap_facts import device_facts, judge_all, load_catalogue, position_from
from maintenance.rules.swap_facts import InsertFacts, Judgement, VariantFacts
from maintenance.rules.swap_settings import full_settings, needed_inserts
from stock.models import Balance, Insert, Item, Location, Order, OrderLine, Reservation

# Parts of accepted proposals that nothing is promised to: proposal, branch, item, and the day of the site's next
# visit (null without one). `%(zone)s` is the firm's time zone. For the shortage list.
ACCEPTED_PARTS_SQL = """
    SELECT p.id AS proposal_id, t.branch_id, part.item_id, visit.day AS needed_on
    FROM maintenance_swapproposal p
    JOIN maintenance_swapverdict v ON v.id = p.verdict_id
    JOIN stock_variant n ON n.id = v.variant_id
    LEFT JOIN stock_board b ON b.id = v.board_id
    JOIN installs_device d ON d.id = p.device_id AND d.removed_on IS NULL
    JOIN installs_system y ON y.id = d.system_id
    JOIN installs_site t ON t.id = y.site_id
    CROSS JOIN LATERAL (
        SELECT n.cover_id
        UNION ALL SELECT b.item_id WHERE b.item_id IS NOT NULL
        UNION ALL
        SELECT i.item_id FROM stock_insert i JOIN stock_insert_families f ON f.insert_id = i.id
        WHERE f.family_id = n.family_id AND v.settings -> i.setting::text = i.value
            AND n.factory_settings -> i.setting::text IS DISTINCT FROM i.value
    ) AS part (item_id)
    LEFT JOIN LATERAL (
        SELECT min((lower(w.period) AT TIME ZONE %(zone)s)::date) AS day
        FROM maintenance_visit w
        WHERE w.site_id = t.id AND w.kind = 'site' AND w.state IN ('planned', 'confirmed', 'under way')
    ) AS visit ON TRUE
    WHERE p.state = 'accepted' AND NOT EXISTS (
        SELECT FROM stock_reservation r
        WHERE r.reference = 'proposal ' || p.id AND r.item_id = part.item_id AND r.state <> 'released'
    )
"""


@dataclass(frozen=True)
class WantedPart:
    """A part of an accepted proposal that nothing is promised to. `needed_on`: the site's next visit, if any."""

    proposal_id: int
    branch_id: int
    item_id: int
    needed_on: date | None


@dataclass(frozen=True)
class ItemPlace:
    """A place that has an item, or will have it. `available` can be promised now, `ahead` only from orders."""

    location_id: int
    name: str
    kind: str
    this_van: bool
    available: int
    ahead: int
    on_order: int
    expected_on: date | None


@dataclass(frozen=True)
class Part:
    """A part that a swap needs, where it is, and what of it is promised to this proposal."""

    item: Item
    places: tuple[ItemPlace, ...]
    reservation: Reservation | None

    @property
    def where(self) -> str:
        """Where the part is, in words."""
        if self.reservation is not None:
            source = "Reserved from an order for" if self.reservation.ahead else "Reserved at"
            return f"{source} {self.reservation.location.name}"
        for place in self.places:
            if place.available > 0:
                van = " (this engineer's van)" if place.this_van else ""
                return f"{place.available} at {place.name}{van}"
        for place in self.places:
            if place.ahead > 0:
                expected = f", expected {place.expected_on:%-d %b %Y}" if place.expected_on else ""
                return f"On order for {place.name}{expected}"
        return "Not in the branch and not on order"


@dataclass(frozen=True)
class SettingLine:
    """A setting on the old device and on the new cover, in words; `changed` says why, if they differ."""

    field: str
    label: str
    old: str
    new: str
    why: str

    @property
    def changed(self) -> bool:
        return bool(self.why)


@dataclass(frozen=True)
class ProposalDetail:
    """One proposal in full."""

    proposal: SwapProposal
    device: Device
    site: Site
    verdict: SwapVerdict
    need: SwapNeed | None
    reasons: tuple[str, ...]
    settings: tuple[SettingLine, ...]
    parts: tuple[Part, ...]
    visit: Visit | None


@dataclass(frozen=True)
class SwapOption:
    """One cover of the family judged for the device now; rank 0: not to be proposed. `settings` is everything to
    set on it."""

    cover: VariantFacts
    rank: int
    judgement: Judgement
    settings: Mapping[str, Any]


@dataclass(frozen=True)
class WhyNot:
    """Every cover of a device's family, best first, with the reasons and what would cure those against it."""

    device: Device
    site: Site
    need: SwapNeed | None
    reasons: tuple[str, ...]
    options: tuple[SwapOption, ...]


def _devices_path(queryset: QuerySet[Any], user: User, path: str) -> QuerySet[Any]:
    """Only records of devices whose swaps the person may see: an engineer's sites, else the branch. The stores
    manager needs the parts of proposals, and so sees them without the right to open sites."""
    if not user.has_right(Right.SEE_PROPOSALS):
        return queryset.none()
    if user.role == Role.ENGINEER:
        return of_sites(queryset, user, f"{path}system__site")
    return queryset if user.branch_id is None else queryset.filter(**{f"{path}system__site__branch_id": user.branch_id})


def proposals(user: User) -> QuerySet[SwapProposal]:
    """The proposals that the person may see, of every state. One statement for a page of them."""
    return _devices_path(SwapProposal.objects.all(), user, "device__").select_related(
        "device__system__site__branch",
        "device__variant",
        "verdict__variant__cover",
        "verdict__board__item",
        "decided_by",
    )


def needs(user: User) -> QuerySet[SwapNeed]:
    """Devices that need a swap and for which no cover fits the wiring in place. One statement."""
    return (
        _devices_path(SwapNeed.objects.all(), user, "device__")
        .filter(proposable=0)
        .select_related("device__system__site__branch", "device__variant__family")
    )


def reason_words(reasons: Sequence[str]) -> tuple[str, ...]:
    """Reasons of a need as people read them."""
    return tuple(SwapNeed.Reason(reason).label.capitalize() for reason in reasons)


def proposal_detail(user: User, pk: int) -> ProposalDetail | None:
    """One proposal with its settings and parts; None if there is none that the person may see. Six statements."""
    proposal = (
        proposals(user)
        .select_related("device__backplate__item", "device__board__item", "device__serial", "device__swap_need")
        .filter(pk=pk)
        .first()
    )
    if proposal is None:
        return None
    device, verdict = proposal.device, proposal.verdict
    site = device.system.site
    visit = next_visit(site.pk)
    items = verdict_items(verdict)
    places = item_places(
        [item.pk for item in items],
        branch_id=site.branch_id,
        engineer_user_id=visit.engineer.user_id if visit else None,
    )
    promised = {
        reservation.item_id: reservation
        for reservation in Reservation.objects.filter(reference=f"proposal {proposal.pk}")
        .exclude(state=Reservation.State.RELEASED)
        .select_related("location")
    }
    return ProposalDetail(
        proposal=proposal,
        device=device,
        site=site,
        verdict=verdict,
        need=getattr(device, "swap_need", None),
        reasons=reason_words(proposal.reasons),
        settings=setting_lines(device, verdict),
        parts=tuple(Part(item, tuple(places.get(item.pk, ())), promised.get(item.pk)) for item in items),
        visit=visit,
    )


def why_not(user: User, device_id: int, *, on: date | None = None) -> WhyNot | None:
    """Every cover of the device's family judged now, so that it is right even before the next night; None if
    there is no such device in use that the person may see. Eight statements."""
    device = (
        _devices_path(Device.objects.filter(removed_on=None), user, "")
        .select_related("system__site__branch", "variant__family", "backplate__item", "board__item", "swap_need")
        .filter(pk=device_id)
        .first()
    )
    if device is None:
        return None
    catalogue = load_catalogue(on or timezone.localdate())
    position = position_from(device_facts([device.pk], catalogue)[device.pk], catalogue)
    need = getattr(device, "swap_need", None)
    return WhyNot(
        device=device,
        site=device.system.site,
        need=need,
        reasons=reason_words(need.reasons) if need else (),
        options=tuple(
            _option(device, catalogue.variants[judgement.cover], rank, judgement)
            for rank, judgement in judge_all(position, catalogue)
        ),
    )


def _option(device: Device, cover: VariantFacts, rank: int, judgement: Judgement) -> SwapOption:
    settings = full_settings(device.settings, judgement.settings, cover.settings_schema)
    return SwapOption(cover, rank, judgement, settings)


def settings_to_set(device: Device, verdict: SwapVerdict) -> dict[str, Any]:
    """Everything to set on the verdict's cover so that it does what this device did. The verdict itself holds only
    what devices of its signature have in common."""
    return full_settings(device.settings, verdict.settings, verdict.variant.settings_schema)


def setting_lines(device: Device, verdict: SwapVerdict) -> tuple[SettingLine, ...]:
    """Old and new value of every setting of both, by label."""
    old_schema, new_schema = device.variant.settings_schema, verdict.variant.settings_schema
    whys = {change["field"]: change["why"] for change in verdict.setting_changes}
    new = settings_to_set(device, verdict)

    def value(settings: Mapping[str, Any], name: str) -> str:
        return shown(settings[name], name) if name in settings else ""

    lines = [
        SettingLine(
            field=name,
            label=label(new_schema if name in new else old_schema, name),
            old=value(device.settings, name),
            new=value(new, name),
            why=whys.get(name, ""),
        )
        for name in new.keys() | device.settings.keys()
    ]
    return tuple(sorted(lines, key=lambda line: (line.label.lower(), line.field)))


def verdict_items(verdict: SwapVerdict) -> list[Item]:
    """What has to be fetched for a swap: cover, board, inserts, in the order of their keys. One statement, if the
    verdict came with its variant's cover and its board's item."""
    variant = verdict.variant
    fitting = Insert.objects.filter(families=variant.family_id).select_related("item").order_by("pk")
    by_key = {insert.item_id: insert.item for insert in fitting}
    facts = [InsertFacts(i.item_id, "", i.setting, i.value) for i in fitting]
    items = [variant.cover, *([verdict.board.item] if verdict.board else [])]
    items += [by_key[insert.key] for insert in needed_inserts(facts, verdict.settings, variant.factory_settings)]
    return sorted(items, key=lambda item: item.pk)


def next_visit(site_id: int) -> Visit | None:
    """The site's next visit by a person that is not over yet. One statement."""
    return (
        Visit.objects.filter(site_id=site_id, kind=Visit.Kind.SITE, state__in=Visit.LIVE, period__endswith__gt=Now())
        .select_related("engineer__user")
        .order_by("period", "id")
        .first()
    )


def item_places(
    item_ids: Sequence[int], *, branch_id: int, engineer_user_id: int | None
) -> dict[int, list[ItemPlace]]:
    """Where each item is or will be: that engineer's van first, then the branch's stores. Two statements."""
    own_van = Q(location__engineer_id=engineer_user_id) if engineer_user_id else Q(pk__in=[])
    balances = (
        Balance.objects.filter(
            own_van | Q(location__kind=Location.Kind.STORE, location__branch_id=branch_id), item_id__in=item_ids
        )
        .annotate(rank=Case(When(own_van, then=Value(0)), default=Value(1), output_field=IntegerField()))
        .select_related("location")
        .order_by("rank", "location__name", "location_id")
    )
    expected = {
        (line["item_id"], line["order__destination_id"]): line["day"]
        for line in OrderLine.objects.filter(
            order__state=Order.State.PLACED, item_id__in=item_ids, received__lt=F("quantity")
        )
        .values("item_id", "order__destination_id")
        .annotate(day=Min("order__expected_on"))
    }
    found: dict[int, list[ItemPlace]] = {}
    for row in balances:
        free = row.on_hand + row.on_order - row.reserved - row.reserved_ahead
        available = max(min(row.on_hand - row.reserved, free), 0)
        found.setdefault(row.item_id, []).append(
            ItemPlace(
                location_id=row.location_id,
                name=row.location.name,
                kind=row.location.kind,
                this_van=engineer_user_id is not None and row.location.engineer_id == engineer_user_id,
                available=available,
                ahead=max(free - available, 0),
                on_order=row.on_order,
                expected_on=expected.get((row.item_id, row.location_id)),
            )
        )
    return found


def parts_of_accepted_proposals(zone: str) -> list[WantedPart]:
    """Parts of accepted proposals that nothing is promised to; `zone` is the firm's time zone. One statement."""
    with connection.cursor() as cursor:
        cursor.execute(f"{ACCEPTED_PARTS_SQL} ORDER BY 1, 3", {"zone": zone})
        return [WantedPart(*row) for row in cursor.fetchall()]
