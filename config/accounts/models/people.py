"""The firm, its branches and the people who use the service."""

from __future__ import annotations

from decimal import Decimal
from typing import Any, ClassVar

from django.contrib.auth.base_user import AbstractBaseUser, BaseUserManager
from django.contrib.auth.models import PermissionsMixin
from django.db import models
from django.db.models.functions import Lower
from django.utils import timezone

from config.accounts.rights import RIGHTS, Right, Role


class Firm(models.Model):
    """The firm's own settings: one row."""

    name = models.CharField(max_length=120)
    access_days_before = models.PositiveSmallIntegerField(
        default=7, help_text="days before a visit from which its engineer may open the site"
    )
    access_days_after = models.PositiveSmallIntegerField(
        default=14, help_text="days after a visit until which its engineer may open the site"
    )
    due_soon_days = models.PositiveSmallIntegerField(
        default=45, help_text="days before the end of its window at which a requirement counts as due soon"
    )
    escalate_days = models.PositiveSmallIntegerField(
        default=60, help_text="days overdue after which a flag is escalated"
    )
    shortage_weeks = models.PositiveSmallIntegerField(
        default=6, help_text="weeks ahead that the shortage list looks"
    )
    loop_margin_percent = models.DecimalField(
        max_digits=4, decimal_places=1, default=Decimal(2),
        help_text="a loop whose nearest state lies closer to an edge of its band, in percent of its value, is flagged",
    )
    standby_scheme = models.CharField(
        max_length=60, default="EN 50131-6", help_text="scheme of the standby rules that the firm works to"
    )
    battery_ageing_factor = models.DecimalField(
        max_digits=3, decimal_places=2, default=Decimal("1.25"),
        help_text="new capacity over needed capacity, so that an old battery still lasts",
    )

    class Meta:
        verbose_name_plural = "firm"
        constraints: ClassVar = [
            models.CheckConstraint(name="accounts_firm_one_row", condition=models.Q(pk=1)),
        ]

    def __str__(self) -> str:
        return self.name


class Branch(models.Model):
    """A branch office; people, sites and stores belong to one."""

    code = models.CharField(max_length=8, unique=True)
    name = models.CharField(max_length=80)
    latitude = models.FloatField(null=True, blank=True, help_text="degrees north, WGS 84")
    longitude = models.FloatField(null=True, blank=True, help_text="degrees east, WGS 84")

    class Meta:
        verbose_name_plural = "branches"

    def __str__(self) -> str:
        return self.name


class UserManager(BaseUserManager["User"]):
    def create_user(self, email: str, password: str | None = None, **fields: Any) -> User:
        user = self.model(email=self.normalize_email(email).lower(), **fields)
        user.set_password(password)
        user.save(using=self._db)
        return user

    def create_superuser(self, email: str, password: str | None = None, **fields: Any) -> User:
        return self.create_user(
            email, password, **{"role": Role.ADMINISTRATOR, "is_superuser": True} | fields
        )


class User(AbstractBaseUser, PermissionsMixin):
    """A person who logs in with an e-mail address. `branch` empty means every branch."""

    email = models.EmailField(unique=True)
    name = models.CharField(max_length=120)
    role = models.CharField(max_length=12, choices=Role.choices)
    branch = models.ForeignKey(
        Branch, on_delete=models.PROTECT, null=True, blank=True, related_name="people"
    )
    is_active = models.BooleanField(default=True)
    joined_at = models.DateTimeField(default=timezone.now)

    objects = UserManager()

    USERNAME_FIELD = "email"
    EMAIL_FIELD = "email"
    REQUIRED_FIELDS: ClassVar = ["name"]

    class Meta:
        constraints: ClassVar = [
            models.CheckConstraint(
                name="accounts_user_role_known", condition=models.Q(role__in=Role.values)
            ),
            models.CheckConstraint(
                name="accounts_user_email_lower", condition=models.Q(email=Lower("email"))
            ),
            # An engineer without a branch would see every branch's stock.
            models.CheckConstraint(
                name="accounts_user_engineer_has_branch",
                condition=~models.Q(role=Role.ENGINEER) | models.Q(branch__isnull=False),
                violation_error_message="An engineer belongs to a branch. Choose one.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Addresses are kept in lower case, so that one person is found however the address is typed."""
        super().clean()
        self.email = self.email.lower()

    def get_full_name(self) -> str:
        return self.name

    @property
    def is_staff(self) -> bool:
        """Whether the administration pages open: the role decides, so that a changed role acts at once."""
        return self.is_active and self.role == Role.ADMINISTRATOR

    def has_perm(self, perm: str, obj: Any = None) -> bool:
        """On the administration pages: all or nothing, by the role."""
        return self.is_staff

    def has_module_perms(self, app_label: str) -> bool:
        return self.is_staff

    def has_right(self, right: Right) -> bool:
        """Whether the role carries the right; an inactive person has none."""
        return self.is_active and right in RIGHTS[Role(self.role)]
