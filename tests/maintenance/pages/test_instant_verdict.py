"""The recording page asks for a verdict on a measured value where it may, and works as before without script."""

from __future__ import annotations

import re
from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from config.accounts.models import Branch, User
from tests.conftest import logged_in
from tests.maintenance.door_scene import visit_of

pytestmark = pytest.mark.django_db


def test_the_measured_field_of_a_loop_test_asks_for_the_verdict(branch: Branch, engineer: User) -> None:
    visit = visit_of(branch, engineer)
    requirement = visit.tasks.get().requirement
    page = logged_in(engineer).get(reverse("maintenance:visit", args=[visit.pk])).content.decode()
    (field,) = re.findall(rf'<input[^>]*name="task-{requirement.pk}-measured"[^>]*>', page)
    where = f"task-{requirement.pk}-reads"
    address = reverse("installs:circuit-reads", args=[requirement.circuit_id])
    assert f'hx-get="{address}?field=task-{requirement.pk}-measured"' in field
    assert f'hx-target="#{where}"' in field
    assert 'hx-trigger="change"' in field
    assert page.count(f'<p id="{where}" aria-live="polite"></p>') == 1
    assert f'aria-describedby="{where}"' in field
    answer = logged_in(engineer).get(address, {"field": f"task-{requirement.pk}-measured"})
    assert (answer.status_code, answer.content.decode().strip()) == (200, "")


def test_before_the_site_opens_nothing_is_asked(branch: Branch, engineer: User) -> None:
    visit = visit_of(branch, engineer, day=timezone.localdate() + timedelta(days=60))
    page = logged_in(engineer).get(reverse("maintenance:visit", args=[visit.pk])).content.decode()
    assert (page.count('-measured"') > 0, "circuit-reads" in page, "-reads" in page) == (True, False, False)
