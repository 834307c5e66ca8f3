"""Who may open the administration pages follows from the role, at once."""

from __future__ import annotations

import pytest

from config.accounts.models import User
from tests.conftest import logged_in


def test_a_changed_role_closes_the_administration_pages(administrator: User) -> None:
    client = logged_in(administrator)
    assert client.get("/admin/maintenance/regime/").status_code == 200
    User.objects.filter(pk=administrator.pk).update(role="scheduler")
    assert client.get("/admin/maintenance/regime/").status_code == 302


def test_a_person_made_inactive_is_out(scheduler: User) -> None:
    client = logged_in(scheduler)
    assert client.get("/work/due/").status_code == 200
    User.objects.filter(pk=scheduler.pk).update(is_active=False)
    assert client.get("/work/due/").status_code == 302


@pytest.mark.django_db
def test_createsuperuser_makes_an_administrator() -> None:
    user = User.objects.create_superuser("Root@Firm.Example", "correct horse 7", name="Root")
    assert (user.email, user.role, user.is_staff) == ("root@firm.example", "admin", True)
