"""Complete detectors from the parts on hand: what could be put together at a place, alone and as a mix."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date

from django.db.models import F, Q, Sum
from django.db.models.functions import Greatest, Least
from django.utils import timezone

from config.accounts.models import Branch, User
from config.errors import InvalidInput
from stock.models import Balance, Family, Item, KitLine, Location, Order, OrderLine, Variant
from stock.rules import kits as rules

# How long a person waits for the best mix at most.
SECONDS = 8.0


@dataclass(frozen=True)
class Place:
    """Where the parts are: one counted location, or a branch's stores together with what they will have by a day."""

    key: str
    name: str
    location_id: int | None = None
    branch_id: int | None = None


@dataclass(frozen=True)
class Part:
    item_id: int
    sku: str
    name: str
    kind: str
    unit: str


@dataclass(frozen=True)
class PartCount:
    """So many pieces of a part."""

    part: Part
    pieces: int


@dataclass(frozen=True)
class KitRow:
    """One variant alone: `missing` is what to get for so many more than `count`."""

    variant_id: int
    code: str
    name: str
    grade: int
    discontinued: bool
    count: int
    bottleneck: tuple[Part, ...]
    next_count: int | None
    next_bottleneck: tuple[Part, ...]
    missing: tuple[PartCount, ...]


@dataclass(frozen=True)
class Kits:
    """Every variant with a kit, and what of its parts is there. Variants without kit lines are named."""

    place: Place
    ahead_until: date | None
    rows: tuple[KitRow, ...]
    without: tuple[str, ...]
    kits: Mapping[int, Mapping[int, int]]
    available: Mapping[int, int]
    parts: Mapping[int, Part]


@dataclass(frozen=True)
class MixLine:
    variant_id: int
    code: str
    name: str
    priority: int
    wanted: int
    made: int

    @property
    def short(self) -> int:
        return self.wanted - self.made


@dataclass(frozen=True)
class PriorityLine:
    """`at_most`: None when the time ended before a bound was found."""

    priority: int
    wanted: int
    made: int
    at_most: int | None


@dataclass(frozen=True)
class GainLine:
    """One more piece of the part makes so many more detectors possible."""

    part: Part
    more: int


@dataclass(frozen=True)
class MixAnswer:
    """The best mix of what is wanted, what is left of the parts, and what the rest would take. `all_tried`: for every
    part it was found out whether one more piece of it helps."""

    lines: tuple[MixLine, ...]
    priorities: tuple[PriorityLine, ...]
    proven: bool
    unused: tuple[PartCount, ...]
    shopping: tuple[PartCount, ...]
    gains: tuple[GainLine, ...]
    all_tried: bool

    @property
    def made(self) -> int:
        return sum(line.made for line in self.lines)

    @property
    def wanted(self) -> int:
        return sum(line.wanted for line in self.lines)


def places(user: User) -> list[Place]:
    """Stores and vans that the person sees, and each branch with its stores. Two statements."""
    locations = Location.objects.visible_to(user).filter(kind__in=(Location.Kind.STORE, Location.Kind.VAN))
    branches = Branch.objects.order_by("name")
    if user.branch_id is not None:
        branches = branches.filter(pk=user.branch_id)
    return [
        *(Place(f"l{pk}", name, location_id=pk)
          for pk, name in locations.order_by("kind", "name").values_list("pk", "name")),
        *(Place(f"b{pk}", f"{name}: all stores, and what is on order", branch_id=pk)
          for pk, name in branches.values_list("pk", "name")),
    ]


def families() -> list[tuple[int, str]]:
    """Families to choose from. One statement."""
    return list(Family.objects.order_by("name").values_list("pk", "name"))


def find_place(user: User, key: str) -> Place:
    """The place of that key, if the person sees it. The statements of `places`. Raises InvalidInput."""
    found = next((place for place in places(user) if place.key == key), None)
    if found is None:
        raise InvalidInput("There is no such place for you.", field="place", value=key,
                           remedy="Choose a store, a van or a branch from the list.")
    return found


def available_at(place: Place, items: Sequence[int], *, until: date | None = None) -> dict[int, int]:
    """Pieces of each item that may be used there: on hand less what is promised.

    For a branch: of all its stores, with what placed orders bring up to that day (none without a day), less what is
    promised from orders. One statement for a location, two for a branch.
    """
    balances = Balance.objects.filter(item_id__in=items, physical=True)
    if place.location_id is not None:
        # What is promised ahead may have to come from what is on hand.
        rows = balances.filter(location_id=place.location_id).annotate(
            free=Greatest(Least(F("on_hand") - F("reserved"),
                                F("on_hand") + F("on_order") - F("reserved") - F("reserved_ahead")), 0)
        )
        return {row.item_id: row.free for row in rows}
    stores = Q(location__kind=Location.Kind.STORE, location__branch_id=place.branch_id)
    coming: dict[int, int] = {}
    if until is not None and place.branch_id is not None:
        coming = dict(
            OrderLine.objects.filter(
                item_id__in=items, order__state=Order.State.PLACED, order__expected_on__lte=until,
                order__destination__kind=Location.Kind.STORE, order__destination__branch_id=place.branch_id,
            ).values_list("item_id").annotate(pieces=Sum(F("quantity") - F("received")))
        )
    found = {}
    rows = balances.filter(stores).values_list("item_id").annotate(
        Sum("on_hand"), Sum("on_order"), Sum("reserved"), Sum("reserved_ahead")
    )
    for item, on_hand, on_order, reserved, ahead in rows:
        free = on_hand - reserved
        # What comes later than the day serves the promises from orders first.
        later = on_order - coming.get(item, 0)
        found[item] = max(free + coming.get(item, 0) - max(ahead - later, 0), 0)
    return found


def kits_at(
    place: Place, *, until: date | None = None, family: int | None = None, more: int = 5
) -> Kits:
    """How many of each variant the parts at the place allow, what ends first, and what `more` of them would take. At
    most four statements."""
    variants = Variant.objects.order_by("code")
    lines = KitLine.objects.select_related("item").order_by("variant__code", "item__kind", "item__sku")
    if family is not None:
        variants, lines = variants.filter(family_id=family), lines.filter(variant__family_id=family)
    kits: dict[int, dict[int, int]] = {}
    parts: dict[int, Part] = {}
    for line in lines:
        kits.setdefault(line.variant_id, {})[line.item_id] = line.quantity
        parts[line.item_id] = _part(line.item)
    available = available_at(place, sorted(parts), until=until)
    today = timezone.localdate()
    rows, without = [], []
    for variant in variants:
        kit = kits.get(variant.pk)
        if kit is None:
            without.append(variant.code)
            continue
        found = rules.alone(available, kit)
        gone = variant.discontinued_on is not None and variant.discontinued_on <= today
        rows.append(KitRow(
            variant_id=variant.pk, code=variant.code, name=variant.name, grade=variant.grade, discontinued=gone,
            count=found.count, bottleneck=tuple(parts[part] for part in found.bottleneck),
            next_count=found.next_count, next_bottleneck=tuple(parts[part] for part in found.next_bottleneck),
            missing=_counts(rules.missing(available, [(kit, found.count + more)]), parts),
        ))
    return Kits(place, until if place.branch_id is not None else None, tuple(rows), tuple(without), kits, available,
                parts)


def best_mix(kits: Kits, wanted: Sequence[tuple[int, int, int]], *, seconds: float = SECONDS) -> MixAnswer:
    """The best mix for variants with the number wanted and its priority (1 first). No statement. Raises InvalidInput
    for a variant that has no kit here."""
    rows = {row.variant_id: row for row in kits.rows}
    for variant, _number, _priority in wanted:
        if variant not in rows:
            raise InvalidInput("There is no kit of this variant.", field="variant", value=variant,
                               remedy="Choose a variant of the list, or enter its kit lines in the catalogue.")
    mix = rules.best_mix(
        kits.available,
        [rules.Wanted(variant, kits.kits[variant], number, priority) for variant, number, priority in wanted],
        seconds=seconds,
    )
    numbers: dict[int, int] = {}
    for _variant, number, priority in wanted:
        numbers[priority] = numbers.get(priority, 0) + number
    return MixAnswer(
        lines=tuple(
            MixLine(variant, rows[variant].code, rows[variant].name, priority, number, mix.made[variant])
            for variant, number, priority in sorted(wanted, key=lambda one: (one[2], rows[one[0]].code))
        ),
        priorities=tuple(
            PriorityLine(priority, numbers[priority], made, most)
            for priority, made, most in zip(mix.priorities, mix.by_priority, mix.at_most, strict=True)
        ),
        proven=mix.proven,
        unused=_counts(mix.unused, kits.parts),
        shopping=_counts(mix.shopping, kits.parts),
        gains=tuple(GainLine(kits.parts[gain.part], gain.total) for gain in mix.gains),
        all_tried=mix.all_tried,
    )


def _counts(pieces: Mapping[int, int], parts: Mapping[int, Part]) -> tuple[PartCount, ...]:
    found = [PartCount(parts[part], count) for part, count in pieces.items() if count]
    return tuple(sorted(found, key=lambda count: (count.part.kind, count.part.sku)))


def _part(item: Item) -> Part:
    return Part(item.pk, item.sku, item.name, item.get_kind_display(), item.unit)
