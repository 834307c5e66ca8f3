"""Counts over REST: start, enter, have counted again, post. In a blind count nothing tells what the ledger holds of a
line before it is counted."""

from __future__ import annotations

from typing import Any

from django.db.models import QuerySet
from django.shortcuts import get_object_or_404
from django_filters import rest_framework as filters
from drf_spectacular.utils import extend_schema
from rest_framework import serializers
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import BaseRouter

from config.accounts.models import User
from config.accounts.rights import Right
from config.viewsets import ONCE, person
from stock.api import OnceMixin, StockViews
from stock.models import CountLine, Family, Item, StockCount
from stock.queries import counting
from stock.queries.count_due import Choice
from stock.serializers import SeenLocation
from stock.services.count_posting import post_count
from stock.services.counting import (
    add_line,
    ask_recount,
    cancel_count,
    count_on,
    count_zero,
    enter,
    hand_in,
    note_serials,
    start_count,
)
from stock.services.ledger import MOST_AT_ONCE


class CountSerializer(serializers.ModelSerializer[StockCount]):
    location_name = serializers.CharField(source="location.name", read_only=True)

    class Meta:
        model = StockCount
        fields = ("id", "number", "location", "location_name", "state", "blind", "note", "started_at", "posted_at")
        read_only_fields = fields


class CountStartSerializer(serializers.Serializer[Any]):
    location = SeenLocation()
    blind = serializers.BooleanField(default=True)
    note = serializers.CharField(max_length=200, required=False, allow_blank=True, default="")
    which = serializers.ChoiceField(
        choices=["all", "due", "days", "moved"], default="all",
        help_text="due: by class of value; days: not counted for that long; moved: since the last count",
    )
    days = serializers.IntegerField(min_value=1, max_value=3650, default=90)
    kind = serializers.ChoiceField(choices=Item.Kind.choices, required=False, allow_blank=True, default="")
    family = serializers.PrimaryKeyRelatedField(
        queryset=Family.objects.all(), required=False, allow_null=True, default=None
    )
    bin_from = serializers.CharField(max_length=20, required=False, allow_blank=True, default="")
    bin_to = serializers.CharField(max_length=20, required=False, allow_blank=True, default="")


class CountLineSerializer(serializers.Serializer[Any]):
    """A row of stock.queries.counting.line_row."""

    id = serializers.IntegerField()
    count = serializers.IntegerField(source="count_id")
    item = serializers.IntegerField(source="item_id")
    sku = serializers.CharField()
    name = serializers.CharField()
    unit = serializers.CharField()
    tracking = serializers.ChoiceField(choices=Item.Tracking.choices)
    batch = serializers.CharField()
    bin = serializers.CharField()
    counted = serializers.IntegerField(allow_null=True)
    serials = serializers.ListField(child=serializers.CharField(), help_text="numbers found")
    counted_by = serializers.CharField(source="by")
    counted_at = serializers.DateTimeField(source="at", allow_null=True)
    recount_asked = serializers.BooleanField()
    first_counted = serializers.IntegerField(allow_null=True)
    version = serializers.IntegerField()
    book = serializers.IntegerField(allow_null=True, help_text="what the ledger held then; null while it is hidden")
    missing = serializers.ListField(child=serializers.CharField())
    unexpected = serializers.ListField(child=serializers.CharField())
    difference_posted = serializers.IntegerField(allow_null=True)


class CountEntrySerializer(serializers.Serializer[Any]):
    version = serializers.IntegerField(min_value=1, help_text="of the line as it was read")
    counted = serializers.IntegerField(min_value=0, max_value=MOST_AT_ONCE, required=False, allow_null=True,
                                       default=None, help_text="in the item's unit")
    serials = serializers.ListField(
        child=serializers.CharField(max_length=40), required=False, allow_null=True, default=None, max_length=2000,
        help_text="instead of the quantity, for an item tracked by serial number: all that are there",
    )


class CountNumbersSerializer(serializers.Serializer[Any]):
    serials = serializers.ListField(child=serializers.CharField(max_length=40), allow_empty=False, max_length=2000)


class NewCountLineSerializer(serializers.Serializer[Any]):
    count = serializers.IntegerField(min_value=1, max_value=10**18)
    item = serializers.PrimaryKeyRelatedField(queryset=Item.objects.all())
    batch = serializers.CharField(max_length=40, required=False, allow_blank=True, default="")


class CountChosenSerializer(serializers.Serializer[Any]):
    lines = serializers.ListField(
        child=serializers.IntegerField(min_value=1, max_value=10**18), allow_empty=False, max_length=5000
    )


class CountPostSerializer(serializers.Serializer[Any]):
    leave_uncounted = serializers.BooleanField(
        default=False, help_text="post although some lines are not counted; the ledger stays as it is there"
    )


class CountFilter(filters.FilterSet):  # type: ignore[misc]
    location = filters.NumberFilter(field_name="location_id")
    state = filters.ChoiceFilter(choices=StockCount.State.choices)

    class Meta:
        model = StockCount
        fields = ("location", "state")


class CountLineFilter(filters.FilterSet):  # type: ignore[misc]
    count = filters.NumberFilter(field_name="count_id")
    item = filters.NumberFilter(field_name="item_id")
    counted = filters.BooleanFilter(field_name="counted", lookup_expr="isnull", exclude=True)
    recount_asked = filters.BooleanFilter()

    class Meta:
        model = CountLine
        fields = ("count", "item", "counted", "recount_asked")


class CountViewSet(OnceMixin, StockViews):
    """Counts, newest first."""

    write_right = Right.VAN_STOCK
    queryset = StockCount.objects.select_related("location")
    serializer_class = CountSerializer
    filterset_class = CountFilter
    keyset_order = counting.COUNT_ORDER

    def _changed(self, request: Request, shape: type[serializers.BaseSerializer[Any]], act: Any) -> Response:
        count = self.get_object()
        return self.post_once(request, shape, lambda given: self.get_serializer(act(count, given)).data, status=200)

    @extend_schema(parameters=[ONCE], request=CountStartSerializer, responses={201: CountSerializer})
    def create(self, request: Request) -> Response:
        """Begin to count a location."""

        def act(given: dict[str, Any]) -> Any:
            location, family = given.pop("location"), given.pop("family")
            blind, note = given.pop("blind"), given.pop("note")
            choice = Choice(family=family.pk if family else None, **given)
            return self.get_serializer(
                start_count(location, by=person(request), blind=blind, note=note, choice=choice)
            ).data

        return self.post_once(request, CountStartSerializer, act)

    @extend_schema(parameters=[ONCE], request=None, responses=CountSerializer)
    @action(detail=True, methods=["post"], url_path="hand-in")
    def hand_in(self, request: Request, pk: str) -> Response:
        """Finish the counting."""
        return self._changed(request, serializers.Serializer, lambda count, _: hand_in(count, by=person(request)))

    @extend_schema(parameters=[ONCE], request=None, responses=CountSerializer)
    @action(detail=True, methods=["post"], url_path="count-on")
    def count_on(self, request: Request, pk: str) -> Response:
        """Go back to counting."""
        return self._changed(request, serializers.Serializer, lambda count, _: count_on(count, by=person(request)))

    @extend_schema(parameters=[ONCE], request=None, responses=CountSerializer)
    @action(detail=True, methods=["post"])
    def cancel(self, request: Request, pk: str) -> Response:
        """Give the count up."""
        return self._changed(request, serializers.Serializer, lambda count, _: cancel_count(count, by=person(request)))

    @extend_schema(parameters=[ONCE], request=CountChosenSerializer, responses=CountSerializer)
    @action(detail=True, methods=["post"], write_right=Right.MOVE_STOCK)
    def recount(self, request: Request, pk: str) -> Response:
        """Have lines counted again."""
        return self._changed(request, CountChosenSerializer,
                             lambda count, given: ask_recount(count, given["lines"], by=person(request)))

    @extend_schema(parameters=[ONCE], request=CountChosenSerializer, responses=CountSerializer)
    @action(detail=True, methods=["post"], write_right=Right.MOVE_STOCK)
    def zero(self, request: Request, pk: str) -> Response:
        """Say of lines that nobody counted that nothing was there."""
        return self._changed(request, CountChosenSerializer,
                             lambda count, given: count_zero(count, given["lines"], by=person(request)))

    @extend_schema(parameters=[ONCE], request=CountPostSerializer, responses=CountSerializer)
    @action(detail=True, methods=["post"], url_path="post", write_right=Right.MOVE_STOCK)
    def post_differences(self, request: Request, pk: str) -> Response:
        """Post the differences, all or none."""
        return self._changed(request, CountPostSerializer,
                             lambda count, given: post_count(count, by=person(request), **given))


class CountLineViewSet(OnceMixin, StockViews):
    """Lines of counts. `book` and what follows from it are hidden in a blind count until the line is counted."""

    write_right = Right.VAN_STOCK
    queryset = CountLine.objects.all()
    serializer_class = CountLineSerializer
    filterset_class = CountLineFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return counting.lines_seen(user)

    def paginate_queryset(self, queryset: Any) -> Any:
        rows = super().paginate_queryset(queryset)
        return None if rows is None else [counting.line_row(line, line.count) for line in rows]

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        line = self.get_object()
        return Response(self.get_serializer(counting.line_row(line, line.count)).data)

    def _answer(self, line: CountLine) -> Any:
        fresh = self.get_queryset().get(pk=line.pk)
        return self.get_serializer(counting.line_row(fresh, fresh.count)).data

    @extend_schema(parameters=[ONCE], request=NewCountLineSerializer, responses={201: CountLineSerializer})
    def create(self, request: Request) -> Response:
        """Put an item (of one batch) on the sheet that was found and is not on it."""

        def act(given: dict[str, Any]) -> Any:
            count = get_object_or_404(counting.counts(person(request)), pk=given["count"])
            return self._answer(add_line(count, given["item"], by=person(request), batch=given["batch"]))

        return self.post_once(request, NewCountLineSerializer, act)

    @extend_schema(parameters=[ONCE], request=CountEntrySerializer, responses=CountLineSerializer)
    @action(detail=True, methods=["post"])
    def enter(self, request: Request, pk: str) -> Response:
        """Write down what was found."""
        line = self.get_object()
        return self.post_once(
            request, CountEntrySerializer, lambda given: self._answer(enter(line, by=person(request), **given)),
            status=200,
        )

    @extend_schema(parameters=[ONCE], request=CountNumbersSerializer, responses=CountLineSerializer)
    @action(detail=True, methods=["post"])
    def seen(self, request: Request, pk: str) -> Response:
        """Add serial numbers that were seen; the line is not counted by that."""
        line = self.get_object()
        return self.post_once(
            request, CountNumbersSerializer,
            lambda given: self._answer(note_serials(line, given["serials"], by=person(request))), status=200,
        )


def register(router: BaseRouter) -> None:
    """Put the endpoints of counting under /api/."""
    router.register("counts", CountViewSet, basename="counts")
    router.register("count-lines", CountLineViewSet, basename="count-lines")
