"""REST endpoints of the as-installed record. Every list starts from what the person may see."""

from __future__ import annotations

import dataclasses
from typing import TYPE_CHECKING, Any

from django.db.models import Model, Prefetch, QuerySet
from django.http import FileResponse, Http404
from django.utils.dateparse import parse_datetime
from django.utils.timezone import is_naive, make_aware
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import mixins, status
from rest_framework.decorators import action
from rest_framework.generics import get_object_or_404
from rest_framework.parsers import JSONParser, MultiPartParser
from rest_framework.request import Request
from rest_framework.response import Response

from config.accounts.rights import Right
from config.api import check_if_match, etag
from config.errors import InvalidInput
from config.viewsets import IF_MATCH, Scoped, person
from installs import filters, serializers
from installs.models import (
    Circuit,
    CircuitPlace,
    Customer,
    Device,
    Document,
    InputBand,
    InputProfile,
    Panel,
    PanelType,
    Site,
    System,
)
from installs.queries import history, scope
from installs.queries.sheet import site_sheet
from installs.services.devices import amend_device
from installs.services.documents import add_document
from installs.services.reads import log_read

if TYPE_CHECKING:
    from rest_framework.routers import BaseRouter

    from config.accounts.models import User


class ReadOnly(mixins.ListModelMixin, mixins.RetrieveModelMixin, Scoped):
    """List and retrieve."""

    right = Right.SEE_SITES
    write_right = Right.EDIT_SITES


class CustomerViewSet(ReadOnly):
    queryset = Customer.objects.none()
    serializer_class = serializers.CustomerSerializer
    filterset_class = filters.CustomerFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.customers(user)


class SiteViewSet(ReadOnly):
    queryset = Site.objects.none()
    serializer_class = serializers.SiteSerializer
    filterset_class = filters.SiteFilter
    keyset_order = ("name", "id")

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.sites(user)

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        site = self.get_object()
        _log(request, site.pk, "api: site")
        return Response(self.get_serializer(site).data)

    @extend_schema(responses=OpenApiTypes.OBJECT)
    @action(detail=True)
    def sheet(self, request: Request, pk: str) -> Response:
        """Everything at the site: panel, circuits with expected loop values, devices, flags, cautions. Access
        notes are in it only for a role that carries them. Each look is logged."""
        sheet = site_sheet(person(request), int(pk))
        if sheet is None:
            raise Http404
        _log(request, sheet.id, "api: site sheet")
        body = dataclasses.asdict(sheet)
        if sheet.access_notes is None:
            del body["access_notes"]
        return Response(body)


class SystemViewSet(ReadOnly):
    queryset = System.objects.none()
    serializer_class = serializers.SystemSerializer
    filterset_class = filters.SystemFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.systems(user)


class PanelTypeViewSet(ReadOnly):
    queryset = PanelType.objects.none()
    serializer_class = serializers.PanelTypeSerializer

    def visible(self, user: User) -> QuerySet[Any]:
        return PanelType.objects.all()


class InputProfileViewSet(ReadOnly):
    queryset = InputProfile.objects.none()
    serializer_class = serializers.InputProfileSerializer
    filterset_class = filters.InputProfileFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return InputProfile.objects.prefetch_related(
            Prefetch("bands", queryset=InputBand.objects.order_by("low_ohm"))
        )


class PanelViewSet(ReadOnly):
    queryset = Panel.objects.none()
    serializer_class = serializers.PanelSerializer
    filterset_class = filters.PanelFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.panels(user)


class CircuitViewSet(ReadOnly):
    queryset = Circuit.objects.none()
    serializer_class = serializers.CircuitSerializer
    filterset_class = filters.CircuitFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.circuits(user)


class CircuitPlaceViewSet(ReadOnly):
    queryset = CircuitPlace.objects.none()
    serializer_class = serializers.CircuitPlaceSerializer
    filterset_class = filters.CircuitPlaceFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.circuit_places(user)


class DeviceViewSet(ReadOnly):
    queryset = Device.objects.none()
    serializer_class = serializers.DeviceSerializer
    filterset_class = filters.DeviceFilter

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.devices(user)

    def retrieve(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        device = self.get_object()
        return _tagged(device, self.get_serializer(device).data)

    @extend_schema(
        request=serializers.DeviceChangeSerializer,
        parameters=[IF_MATCH],
        responses=serializers.DeviceSerializer,
    )
    def partial_update(self, request: Request, *args: Any, **kwargs: Any) -> Response:
        """Change position or settings. Send the device's ETag in If-Match."""
        device = self.get_object()
        check_if_match(request, device)
        change = serializers.DeviceChangeSerializer(data=request.data)
        change.is_valid(raise_exception=True)
        device = amend_device(device, by=person(request), read_at=device.changed_at, **change.validated_data)
        device.refresh_from_db()
        return _tagged(device, self.get_serializer(device).data)

    @extend_schema(
        parameters=[
            OpenApiParameter("at", OpenApiTypes.DATETIME, description="only the version that stood at this moment")
        ],
        responses=serializers.DeviceVersionSerializer(many=True),
        filters=False,
    )
    @action(detail=True, pagination_class=None)
    def history(self, request: Request, pk: str) -> Response:
        """The device's versions, newest first; with `at`, the one that stood then (none: an empty list)."""
        device = self.get_object()
        at = request.query_params.get("at")
        if at is None:
            versions = [line.version for line in history.device_history(person(request), device.pk)]
        else:
            version = history.device_as_at(person(request), device.pk, _moment(at))
            versions = [] if version is None else [version]
        return Response(serializers.DeviceVersionSerializer(versions, many=True).data)


class DocumentViewSet(ReadOnly):
    queryset = Document.objects.none()
    serializer_class = serializers.DocumentSerializer
    filterset_class = filters.DocumentFilter
    parser_classes = (MultiPartParser, JSONParser)

    def visible(self, user: User) -> QuerySet[Any]:
        return scope.documents(user)

    @extend_schema(
        request={"multipart/form-data": serializers.DocumentUploadSerializer},
        responses={201: serializers.DocumentSerializer},
    )
    def create(self, request: Request) -> Response:
        """Keep a paper or photo of a site, or of one of its devices."""
        upload = serializers.DocumentUploadSerializer(data=request.data)
        upload.is_valid(raise_exception=True)
        given = upload.validated_data
        site = get_object_or_404(scope.sites(person(request)), pk=given.pop("site"))
        device_id = given.pop("device", None)
        device = None
        if device_id is not None:
            device = get_object_or_404(scope.devices(person(request)).select_related("system"), pk=device_id)
        document = add_document(site, by=person(request), device=device, **given)
        return Response(self.get_serializer(document).data, status=status.HTTP_201_CREATED)

    @extend_schema(responses={(200, "application/octet-stream"): OpenApiTypes.BINARY})
    @action(detail=True)
    def file(self, request: Request, pk: str) -> FileResponse:
        """The file itself. Each look is logged under its site."""
        document = self.get_object()
        _log(request, document.site_id, "api: document")
        try:
            return FileResponse(document.file.open("rb"), as_attachment=True)
        except FileNotFoundError:
            raise Http404 from None


def _moment(text: str) -> Any:
    try:
        moment = parse_datetime(text)
    except ValueError:
        moment = None
    if moment is None:
        raise InvalidInput(f"{text!r} is not a moment.", field="at", value=text,
                           remedy="Write it like 2026-03-04T09:30:00Z.")
    return make_aware(moment) if is_naive(moment) else moment


def _log(request: Request, site_id: int, door: str) -> None:
    log_read(site_id, by=person(request), door=door, address=request.META.get("REMOTE_ADDR"))


def _tagged(instance: Model, data: Any) -> Response:
    return Response(data, headers={"ETag": etag(instance)})


def register(router: BaseRouter) -> None:
    """Put the endpoints of this app under /api/."""
    router.register("customers", CustomerViewSet, basename="customer")
    router.register("sites", SiteViewSet, basename="site")
    router.register("systems", SystemViewSet, basename="system")
    router.register("panel-types", PanelTypeViewSet, basename="panel-type")
    router.register("input-profiles", InputProfileViewSet, basename="input-profile")
    router.register("panels", PanelViewSet, basename="panel")
    router.register("circuits", CircuitViewSet, basename="circuit")
    router.register("circuit-places", CircuitPlaceViewSet, basename="circuit-place")
    router.register("devices", DeviceViewSet, basename="device")
    router.register("documents", DocumentViewSet, basename="document")
