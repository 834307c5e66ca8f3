"""Customers, sites, their papers, and who may open a site because a visit sends them there."""

from __future__ import annotations

from typing import ClassVar, Self

import pghistory
from django.conf import settings
from django.contrib.postgres.indexes import GinIndex, OpClass
from django.contrib.postgres.search import SearchVectorField
from django.db import models
from django.db.models import F, Func, Q, Value
from django.db.models.functions import Now, TruncDate, Upper
from django.utils import timezone

from config.accounts.models import Firm, User
from config.accounts.rights import Right, Role
from config.fields import SealedTextField
from installs.models import triggers_loops
from stock.models.catalogue import EnvironmentalClass, Grade


class Customer(models.Model):
    reference = models.CharField(max_length=20, unique=True)
    name = models.CharField(max_length=120)
    email = models.EmailField(blank=True)
    phone = models.CharField(max_length=30, blank=True)

    def __str__(self) -> str:
        return self.name


class SiteQuerySet(models.QuerySet["Site"]):
    def visible_to(self, user: User) -> Self:
        """The sites that this person may open: none without the right, else those of the branch; an
        engineer only those of visits assigned to them, within the firm's days before and after."""
        if not user.has_right(Right.SEE_SITES):
            return self.none()
        if user.role == Role.ENGINEER:
            firm = Firm.objects.filter(pk=1)
            return self.filter(
                models.Exists(
                    SiteAssignment.objects.filter(
                        site=models.OuterRef("pk"),
                        user=user,
                        first_day__lte=TruncDate(Now())
                        + models.Subquery(firm.values("access_days_before")[:1]),
                        last_day__gte=TruncDate(Now())
                        - models.Subquery(firm.values("access_days_after")[:1]),
                    )
                )
            )
        return self if user.branch_id is None else self.filter(branch_id=user.branch_id)


class SearchText(Func):
    """The words a site is found by: punctuation split off, and the postcode also without its space."""

    function = "to_tsvector"
    template = (
        "to_tsvector('simple'::regconfig, regexp_replace(%(expressions)s, '[^[:alnum:]]+', ' ', 'g'))"
    )
    arg_joiner = " || ' ' || "
    output_field = SearchVectorField()


@pghistory.track(pghistory.InsertEvent(), pghistory.UpdateEvent(), append_only=True, exclude=["search"])
class Site(models.Model):
    class Contract(models.TextChoices):
        AUDIBLE = "audible", "Audible only"
        SIGNALLED = "signalled", "Remotely signalled"

    reference = models.CharField(max_length=20, unique=True)
    customer = models.ForeignKey(Customer, on_delete=models.PROTECT, related_name="sites")
    branch = models.ForeignKey("accounts.Branch", on_delete=models.PROTECT, related_name="sites")
    name = models.CharField(max_length=120)
    street = models.CharField(max_length=120, blank=True)
    town = models.CharField(max_length=80, blank=True)
    postcode = models.CharField(max_length=12, blank=True)
    latitude = models.FloatField(null=True, blank=True, help_text="degrees north, WGS 84")
    longitude = models.FloatField(null=True, blank=True, help_text="degrees east, WGS 84")
    grade = models.PositiveSmallIntegerField(choices=Grade.choices)
    environmental_class = models.PositiveSmallIntegerField(choices=EnvironmentalClass.choices)
    contract = models.CharField(max_length=10, choices=Contract.choices)
    in_use_since = models.DateField(help_text="day the system came into use; due months count from its month")
    cautions = models.TextField(blank=True)
    access_notes = SealedTextField(blank=True, help_text="how to get in; kept encrypted")
    search = models.GeneratedField(
        expression=SearchText(
            F("reference"), F("name"), F("postcode"), Func(F("postcode"), Value(" "), Value(""), function="replace"),
            F("town"),
        ),
        output_field=SearchVectorField(),
        db_persist=True,
    )
    changed_at = models.DateTimeField(auto_now=True)

    objects = SiteQuerySet.as_manager()

    class Meta:
        indexes: ClassVar = [
            GinIndex(fields=["search"], name="installs_site_search"),
            GinIndex(OpClass(Upper("name"), name="gin_trgm_ops"), name="installs_site_name_trgm"),
            models.Index(fields=["branch", "name", "id"]),
            # People of every branch page through all sites by name.
            models.Index(fields=["name", "id"]),
        ]
        constraints: ClassVar = [
            models.CheckConstraint(name="installs_site_grade_known", condition=Q(grade__range=(1, 4))),
            models.CheckConstraint(name="installs_site_class_known", condition=Q(environmental_class__range=(1, 4))),
            models.CheckConstraint(
                name="installs_site_position",
                condition=Q(latitude=None, longitude=None)
                | Q(latitude__range=(-90, 90), longitude__range=(-180, 180)),
            ),
        ]
        triggers: ClassVar = [triggers_loops.SITE_STALE]

    def __str__(self) -> str:
        return f"{self.reference} {self.name}"


class SiteAssignment(models.Model):
    """The days a visit sends a person to a site. Written by the trigger on visits only (maintenance app)."""

    visit_id = models.BigIntegerField(unique=True)
    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="assignments")
    user = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="+")
    first_day = models.DateField()
    last_day = models.DateField()

    class Meta:
        indexes: ClassVar = [models.Index(fields=["user", "site"])]

    def __str__(self) -> str:
        return f"{self.user_id} at {self.site_id}"


class Document(models.Model):
    """A paper or photo of a site or of one device."""

    class Kind(models.TextChoices):
        AS_FITTED = "as-fitted", "As-fitted document"
        PHOTO = "photo", "Photo"
        CERTIFICATE = "certificate", "Certificate"
        OTHER = "other", "Other"

    site = models.ForeignKey(Site, on_delete=models.CASCADE, related_name="documents")
    device = models.ForeignKey(
        "installs.Device", on_delete=models.SET_NULL, null=True, blank=True, related_name="documents"
    )
    kind = models.CharField(max_length=12, choices=Kind.choices)
    title = models.CharField(max_length=120)
    file = models.FileField(upload_to="sites/%Y/%m")
    added_by = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.PROTECT, related_name="+")
    added_at = models.DateTimeField(default=timezone.now)

    def __str__(self) -> str:
        return self.title
