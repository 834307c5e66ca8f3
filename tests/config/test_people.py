"""Who may open the administration pages follows from the role, at once."""

from __future__ import annotations

import pytest
from django.test import Client

from config.accounts.models import Branch, User
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


def test_an_administrator_makes_an_account_that_can_log_in(administrator: User, branch: Branch) -> None:
    form = {
        "email": "New@Firm.Example", "name": "Odo Fenn", "role": "engineer", "branch": branch.pk,
        "password1": "a brass lantern 9", "password2": "a brass lantern 9", "usable_password": "true",
    }
    made = logged_in(administrator).post("/admin/accounts/user/add/", form)
    assert made.status_code == 302, made.context["errors"]
    client = Client()
    client.post("/accounts/login/", {"login": "new@firm.example", "password": "a brass lantern 9"})
    assert client.get("/work/visits/").status_code == 200


def test_an_engineer_without_a_branch_is_refused_with_words(administrator: User) -> None:
    form = {"email": "x@firm.example", "name": "X", "role": "engineer", "branch": "",
            "password1": "a brass lantern 9", "password2": "a brass lantern 9", "usable_password": "true"}
    page = logged_in(administrator).post("/admin/accounts/user/add/", form)
    assert page.status_code == 200
    assert "An engineer belongs to a branch" in page.content.decode()


@pytest.mark.parametrize("name", ["user", "branch", "firm", "apitoken", "readlog"])
def test_administration_lists_open(administrator: User, name: str) -> None:
    assert logged_in(administrator).get(f"/admin/accounts/{name}/").status_code == 200
