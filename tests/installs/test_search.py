"""Finding a site by a few letters."""

from __future__ import annotations

import pytest
from django.test import Client

from config.accounts.models import Branch, User
from config.demo.factories import SiteFactory
from installs.queries.search import MOST_HITS, prefix_query, search_sites, site_page
from tests.conftest import logged_in
from tests.installs.kit import assign

pytestmark = pytest.mark.django_db


@pytest.fixture
def mill(branch: Branch) -> int:
    return SiteFactory.create(
        branch=branch, reference="NB-0417", name="Harbour Mill", town="Kelby", postcode="QX7 4RT"
    ).pk


def found(user: User, text: str) -> list[int]:
    return [hit.id for hit in search_sites(user, text).hits]


@pytest.mark.parametrize(
    "text", ["harb", "HARBOUR MI", "mill har", "qx7 4rt", "QX74RT", "qx74", "QX7 4", "nb-0417", "0417", "NB 04", "kelb"]
)
def test_beginnings_of_words_find_it(scheduler: User, mill: int, text: str) -> None:
    SiteFactory.create(branch=scheduler.branch, reference="NB-9", name="Quiet Barn", town="Ost", postcode="ZZ1 1ZZ")
    answer = search_sites(scheduler, text)
    assert ([hit.id for hit in answer.hits], answer.similar) == ([mill], False)


@pytest.mark.parametrize("text", ["harbuor", "Harbor Mil", "habour mill"])
def test_a_typing_error_finds_what_looks_like_it(scheduler: User, mill: int, text: str) -> None:
    SiteFactory.create(branch=scheduler.branch, name="Quiet Barn")
    answer = search_sites(scheduler, text)
    assert ([hit.id for hit in answer.hits], answer.similar) == ([mill], True)


def test_nothing_like_it_finds_nothing(scheduler: User, mill: int) -> None:
    assert found(scheduler, "zzyzx") == []


def test_a_site_of_another_branch_is_not_found_even_by_its_exact_name(stranger: User, mill: int) -> None:
    assert [found(stranger, text) for text in ("Harbour Mill", "QX74RT", "harbuor mill")] == [[], [], []]


def test_an_engineer_finds_only_sites_of_own_visits(engineer: User, mill: int, branch: Branch) -> None:
    other = SiteFactory.create(branch=branch, name="Harbour Office")
    assert found(engineer, "harbour") == []
    assign(engineer, other)
    assert found(engineer, "harbour") == [other.pk]


@pytest.mark.parametrize(
    "text",
    ["", "  ", "&|!", "':*", "\\", "___", "(a", "a & | b", "'; DROP TABLE x --", "é", "x" * 500],
)
def test_signs_of_the_query_language_mean_nothing(scheduler: User, mill: int, text: str) -> None:
    assert found(scheduler, text) == []


def test_only_letters_and_digits_reach_the_query_parser() -> None:
    assert prefix_query("O'Neil & Sons: (east)!") == "o:* & neil:* & sons:* & east:*"


def test_hits_are_limited_and_say_so(scheduler: User) -> None:
    SiteFactory.create_batch(MOST_HITS + 1, branch=scheduler.branch, name="Row House")
    answer = search_sites(scheduler, "row")
    assert (len(answer.hits), answer.more) == (MOST_HITS, True)


def test_statements(scheduler: User, mill: int, django_assert_num_queries) -> None:
    with django_assert_num_queries(1):
        search_sites(scheduler, "harb")
    with django_assert_num_queries(5):  # prefix, savepoint, threshold, similarity, release
        search_sites(scheduler, "harbuor")


def test_pages_follow_one_another_without_gap_or_repeat(scheduler: User) -> None:
    # Equal names on purpose: the key must decide between them.
    sites = SiteFactory.create_batch(7, branch=scheduler.branch, name="Row House")
    seen: list[int] = []
    cursor = None
    while True:
        page = site_page(scheduler, cursor=cursor, size=3)
        seen += [row.id for row in page.rows]
        cursor = page.next_cursor
        if cursor is None:
            break
    assert seen == sorted(site.pk for site in sites)


def test_the_page_finds_while_typing(scheduler: User, mill: int) -> None:
    client: Client = logged_in(scheduler)
    whole = client.get("/sites/", {"q": "harb"})
    part = client.get("/sites/", {"q": "harb"}, headers={"HX-Request": "true"})
    assert (whole.status_code, part.status_code) == (200, 200)
    back = client.get(
        "/sites/", {"q": "harb"}, headers={"HX-Request": "true", "HX-History-Restore-Request": "true"}
    )
    assert [b"<html" in answer.content for answer in (whole, part, back)] == [True, False, True]
    link = f'href="/sites/{mill}/"'.encode()
    assert [link in answer.content for answer in (whole, part, back)] == [True, True, True]


def test_stores_have_no_sites(stores: User, mill: int) -> None:
    assert logged_in(stores).get("/sites/").status_code == 403
    assert found(stores, "harbour") == []
