"""Finding a site by a few letters, and the list of sites page by page."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from django.contrib.postgres.search import SearchQuery, TrigramWordSimilarity
from django.db import connection, transaction
from django.db.models import QuerySet
from django.db.models.functions import Upper

from config import keyset
from installs.models import Site

if TYPE_CHECKING:
    from config.accounts.models import User

MOST_HITS = 20
# Two letters swapped in a word of seven leave half of its trigrams: pg_trgm's own 0.6 would miss it.
LEAST_SIMILARITY = 0.4

_SHOWN = ("id", "reference", "name", "street", "town", "postcode", "grade", "contract", "customer__name")


@dataclass(frozen=True)
class SiteHit:
    """One line of a list of sites."""

    id: int
    reference: str
    name: str
    street: str
    town: str
    postcode: str
    grade: int
    contract: str
    customer: str

    @classmethod
    def of(cls, row: dict[str, Any]) -> SiteHit:
        values = {name: row[name] for name in _SHOWN if name != "customer__name"}
        values["contract"] = Site.Contract(row["contract"]).label
        return cls(customer=row["customer__name"], **values)


@dataclass(frozen=True)
class SearchAnswer:
    """Hits of a search; `similar` when nothing matched as typed and these only look like it."""

    hits: list[SiteHit]
    similar: bool = False
    more: bool = False


def prefix_query(text: str) -> str:
    """`to_tsquery` text that asks for every typed word as the beginning of a word; empty without any.

    Only letters and digits get through, so no typed sign can mean anything to the query parser.
    """
    return " & ".join(f"{word}:*" for word in re.findall(r"[^\W_]+", text.lower())[:8])


def search_sites(user: User, text: str) -> SearchAnswer:
    """Sites visible to the person whose name, postcode (with or without its space), reference or town
    begin with the typed words; failing that, sites whose name looks like the text.

    One statement when the words are found, three when not (a savepoint aside).
    """
    words = prefix_query(text)
    if not words:
        return SearchAnswer([])
    visible = Site.objects.visible_to(user)
    found = visible.filter(search=SearchQuery(words, search_type="raw", config="simple"))
    hits = _hits(found.order_by("name", "id"))
    if hits:
        return SearchAnswer(hits[:MOST_HITS], more=len(hits) > MOST_HITS)
    typed = text.strip().upper()[:120]
    with transaction.atomic():
        with connection.cursor() as cursor:
            cursor.execute(f"SET LOCAL pg_trgm.word_similarity_threshold = {LEAST_SIMILARITY}")
        # `%>` on upper(name) is what the trigram index answers.
        similar = visible.alias(
            upper_name=Upper("name"), likeness=TrigramWordSimilarity(typed, Upper("name"))
        ).filter(upper_name__trigram_word_similar=typed)
        hits = _hits(similar.order_by("-likeness", "name", "id"))
    return SearchAnswer(hits[:MOST_HITS], similar=True, more=len(hits) > MOST_HITS)


def _hits(found: QuerySet[Site]) -> list[SiteHit]:
    return [SiteHit.of(row) for row in found.values(*_SHOWN)[: MOST_HITS + 1]]


def site_page(user: User, *, cursor: str | None, size: int = 50) -> keyset.KeysetPage[SiteHit]:
    """One page of the sites visible to the person, by name: one statement."""
    page = keyset.page(
        Site.objects.visible_to(user).values(*_SHOWN), ("name", "id"), cursor=cursor, size=size
    )
    return keyset.KeysetPage([SiteHit.of(row) for row in page.rows], page.next_cursor, page.first)
