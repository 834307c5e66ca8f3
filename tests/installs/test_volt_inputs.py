"""Panel inputs whose bands are in terminal volts: the database and the rule agree, and nonsense is refused in words."""

from __future__ import annotations

from typing import Any

import pytest
from django.db import IntegrityError, connection, transaction
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from config.accounts.models import Branch, User
from config.demo import factories as make
from installs.models import InputBand, InputProfile, LoopTable
from installs.rules.errors import RuleError
from installs.rules.panel_inputs import PanelInput, VoltBand, bands_in_ohm
from installs.services.loop_tables import keep_stale_tables
from tests.conftest import api_client, logged_in
from tests.installs.kit import site_with

pytestmark = pytest.mark.django_db
# Thresholds of an input with 5 V behind 4.7 kΩ.
VOLTS = (("tamper", 0.0, 0.95), ("normal", 1.25, 2.4), ("alarm", 2.52, 4.0), ("tamper", 4.45, None))


def volt_profile(**fields: Any) -> InputProfile:
    profile: InputProfile = make.InputProfileFactory.create(
        **{"reference_v": 5.0, "pull_up_ohm": 4700.0, "pull_up_tolerance_percent": 1.0} | fields
    )
    InputBand.objects.bulk_create(
        InputBand(profile=profile, state=state, low_v=low, high_v=high) for state, low, high in VOLTS
    )
    return profile


def edges(profile: InputProfile) -> list[tuple[float, float | None]]:
    return list(InputBand.objects.filter(profile=profile).order_by("low_ohm").values_list("low_ohm", "high_ohm"))


def by_rule(profile: InputProfile) -> list[tuple[float, float | None]]:
    assert profile.reference_v is not None
    assert profile.pull_up_ohm is not None
    source = PanelInput(profile.reference_v, profile.pull_up_ohm, profile.pull_up_tolerance_percent)
    found = bands_in_ohm(source, [VoltBand(*band) for band in VOLTS])
    return [(band.low_ohm, band.high_ohm) for band in found]


def flat(found: list[tuple[float, float | None]]) -> list[float]:
    return [-1.0 if edge is None else edge for pair in found for edge in pair]


# Shares of the reference: nothing, or no less than a millionth of it.
PARTS = st.just(0.0) | st.floats(1e-6, 1.2)


@settings(max_examples=150, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.floats(0.5, 30), st.floats(10, 1e6), st.just(0.0) | st.floats(0.01, 20), PARTS, PARTS, st.booleans(),
)
def test_trigger_and_rule_agree_on_any_band(
    firm: object, reference_v: float, pull_up_ohm: float, tolerance: float, low: float, high: float, open_end: bool
) -> None:
    low_v, high_v = low * reference_v, None if open_end else high * reference_v
    try:
        (wanted,) = bands_in_ohm(PanelInput(reference_v, pull_up_ohm, tolerance), [VoltBand("normal", low_v, high_v)])
    except RuleError:
        wanted = None
    with transaction.atomic():
        profile = make.InputProfileFactory.create(
            reference_v=reference_v, pull_up_ohm=pull_up_ohm, pull_up_tolerance_percent=tolerance
        )
        with connection.cursor() as cursor:
            try:
                with transaction.atomic():
                    cursor.execute(
                        "INSERT INTO installs_inputband (profile_id, state, low_v, high_v)"
                        " VALUES (%s, 'normal', %s, %s) RETURNING low_ohm, high_ohm",
                        [profile.pk, low_v, high_v],
                    )
                    found = cursor.fetchone()
            except IntegrityError:
                found = None
        transaction.set_rollback(True)
    assert (found is None) == (wanted is None)
    if wanted is not None and found is not None:
        assert found[0] == pytest.approx(wanted.low_ohm, rel=1e-9, abs=1e-9)
        assert (found[1] is None) == (wanted.high_ohm is None)
        if found[1] is not None:
            assert found[1] == pytest.approx(wanted.high_ohm, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize(
    "changed",
    [{"pull_up_ohm": 47_000.0}, {"pull_up_ohm": 1000.0}, {"reference_v": 5.5}, {"pull_up_tolerance_percent": 5.0}],
)
def test_a_changed_pull_up_moves_the_bands_and_marks_tables_stale(changed: dict[str, float], branch: Branch) -> None:
    kit = site_with(branch)
    profile = volt_profile()
    kit.circuits[0].profile = profile
    kit.circuits[0].save()
    keep_stale_tables()
    table = LoopTable.objects.get(circuit=kit.circuits[0])
    assert not table.stale
    assert flat(edges(profile)) == pytest.approx(flat(by_rule(profile)), rel=1e-9)
    before = edges(profile)
    column, value = next(iter(changed.items()))
    with connection.cursor() as cursor:
        cursor.execute(f"UPDATE installs_inputprofile SET {column} = %s WHERE id = %s", [value, profile.pk])
    profile.refresh_from_db()
    assert edges(profile) != before
    assert flat(edges(profile)) == pytest.approx(flat(by_rule(profile)), rel=1e-9)
    table.refresh_from_db()
    assert table.stale


@pytest.mark.parametrize(
    ("sql", "constraint"),
    [
        ("UPDATE installs_inputband SET high_v = 5.2, low_v = 5.1 WHERE state = 'normal'", "installs_inputband_volts"),
        ("UPDATE installs_inputband SET high_v = 1.0 WHERE state = 'normal'", "installs_inputband_volts"),
        ("UPDATE installs_inputband SET low_v = -1 WHERE state = 'normal'", "installs_inputband_volts"),
        ("UPDATE installs_inputband SET high_v = 3.0 WHERE state = 'normal'", "installs_inputband_no_overlap"),
        ("UPDATE installs_inputprofile SET reference_v = NULL, pull_up_ohm = NULL", "installs_inputband_volts"),
        ("UPDATE installs_inputprofile SET reference_v = 2.0", "installs_inputband_volts"),
        ("UPDATE installs_inputprofile SET pull_up_ohm = NULL", "installs_inputprofile_pull_up"),
        ("UPDATE installs_inputprofile SET pull_up_ohm = 0", "installs_inputprofile_pull_up"),
        ("UPDATE installs_inputprofile SET pull_up_tolerance_percent = 100", "installs_inputprofile_tolerance"),
    ],
)
def test_the_database_refuses_nonsense(sql: str, constraint: str, firm: object) -> None:
    volt_profile()
    with pytest.raises(IntegrityError) as error, transaction.atomic(), connection.cursor() as cursor:
        cursor.execute(sql)
    assert error.value.__cause__.diag.constraint_name == constraint  # type: ignore[union-attr]


def form_of(profile: InputProfile, **changes: Any) -> dict[str, Any]:
    """What the administration's form sends for the input as it stands, with changes."""
    bands = list(InputBand.objects.filter(profile=profile).order_by("pk"))
    sent: dict[str, Any] = {
        "panel_type": profile.panel_type_id, "code": profile.code, "topology": profile.topology_id,
        "reference_v": profile.reference_v or "", "pull_up_ohm": profile.pull_up_ohm or "",
        "pull_up_tolerance_percent": profile.pull_up_tolerance_percent,
        "bands-TOTAL_FORMS": len(bands), "bands-INITIAL_FORMS": len(bands),
    }
    for place, band in enumerate(bands):
        sent |= {f"bands-{place}-id": band.pk, f"bands-{place}-profile": profile.pk, f"bands-{place}-state": band.state}
        names = ("low_v", "high_v") if profile.reference_v is not None else ("low_ohm", "high_ohm")
        for name in names:
            value = getattr(band, name)
            sent[f"bands-{place}-{name}"] = "" if value is None else value
    return sent | changes


def address(profile: InputProfile) -> str:
    return f"/admin/installs/inputprofile/{profile.pk}/change/"


def test_administration_shows_ohms_beside_volts_and_lets_them_follow(administrator: User) -> None:
    profile = volt_profile()
    client = logged_in(administrator)
    page = client.get(address(profile)).content.decode()
    assert 'name="bands-1-low_v"' in page
    assert 'name="bands-1-low_ohm"' not in page
    # Every band above the first moves at once, into where its neighbour was.
    moved = {"bands-1-low_v": 2.5, "bands-1-high_v": 3.6, "bands-2-low_v": 3.7, "bands-2-high_v": 4.4}
    answer = client.post(address(profile), form_of(profile, **moved))
    assert answer.status_code == 302, answer.content.decode()[-3000:]
    normal = InputBand.objects.get(profile=profile, state="normal")
    assert normal.low_ohm == pytest.approx(4700 * 2.5 / 2.5 * 1.01)
    assert normal.high_ohm == pytest.approx(4700 * 3.6 / 1.4 * 0.99)


def test_administration_changes_the_pull_up_and_bands_in_one_go(administrator: User) -> None:
    profile = volt_profile()
    answer = logged_in(administrator).post(address(profile), form_of(profile, pull_up_ohm=10_000, reference_v=12))
    assert answer.status_code == 302
    profile.refresh_from_db()
    assert flat(edges(profile)) == pytest.approx(flat(by_rule(profile)), rel=1e-9)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"bands-1-high_v": 5.4, "bands-1-low_v": 5.2}, "does not lie between 0 V and 5 V"),
        ({"bands-1-high_v": 1.0}, "does not lie between 0 V and 5 V (given 1.25 V to 1.0 V)"),
        ({"bands-1-high_v": 3.0}, "The normal and alarm bands overlap."),
        ({"pull_up_ohm": ""}, "Reference and pull-up go together: give both, or neither."),
        ({"pull_up_ohm": -3}, "-3 cannot be right. Give more than 0."),
        ({"pull_up_tolerance_percent": 100}, "100 % is not a tolerance."),
        ({"pull_up_tolerance_percent": 60}, "nothing is left of the normal band within the pull-up"),
    ],
)
def test_administration_refuses_nonsense_in_words(changes: dict[str, Any], words: str, administrator: User) -> None:
    profile = volt_profile()
    before = edges(profile)
    answer = logged_in(administrator).post(address(profile), form_of(profile, **changes))
    assert answer.status_code == 200
    assert words in answer.content.decode().replace("&#x27;", "'")
    assert edges(profile) == before


def test_volts_without_a_pull_up_are_refused(administrator: User) -> None:
    profile = make.InputProfileFactory.create(with_bands=True)
    answer = logged_in(administrator).post(
        address(profile), form_of(profile, **{"bands-1-low_v": 1.0, "bands-1-high_v": 2.0})
    )
    assert "This input has no reference voltage and pull-up." in answer.content.decode()


def test_what_only_the_database_sees_is_refused_in_words(administrator: User) -> None:
    """A lower reference meets the bands as they are before the form's new ones are written."""
    profile = volt_profile()
    lower = {"reference_v": 3, "bands-2-high_v": 2.9, "bands-3-low_v": 2.95}
    answer = logged_in(administrator).post(address(profile), form_of(profile, **lower))
    assert answer.status_code == 409
    assert "must lie between 0 V and the reference" in answer.content.decode()


def test_a_band_in_ohms_is_edited_as_before(administrator: User) -> None:
    profile = make.InputProfileFactory.create(with_bands=True)
    client = logged_in(administrator)
    assert client.post(address(profile), form_of(profile, **{"bands-1-low_ohm": 700})).status_code == 302
    assert (700.0, 1500.0) in edges(profile)
    answer = client.post(address(profile), form_of(profile, **{"bands-1-low_ohm": 1550}))
    assert "1500 Ω does not lie above 1550 Ω" in answer.content.decode()
    answer = client.post(address(profile), form_of(profile, **{"bands-1-low_ohm": ""}))
    assert "lower edge, in ohms or in volts" in answer.content.decode()


def test_the_endpoint_shows_volts(engineer: User) -> None:
    profile = volt_profile()
    data = api_client(engineer).get(f"/api/input-profiles/{profile.pk}/").json()
    assert (data["reference_v"], data["pull_up_ohm"], data["pull_up_tolerance_percent"]) == (5.0, 4700.0, 1.0)
    assert [(band["state"], band["low_v"], band["high_v"]) for band in data["bands"]] == list(VOLTS)
