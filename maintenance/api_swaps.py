"""REST endpoints of the swaps."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.db.models import QuerySet
from django.http import Http404
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import mixins
from rest_framework.decorators import action
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.viewsets import ViewSet

from config.accounts.models import User
from config.accounts.rights import Right
from config.api import check_if_match, etag
from config.viewsets import IF_MATCH, ReadViewSet, Scoped, person
from maintenance import filters, serializers_swaps
from maintenance.models import SwapNeed, SwapProposal
from maintenance.queries import swaps
from maintenance.queries.proposal_list import option_rows
from maintenance.services.swaps import accept_proposal, decline_proposal

DEVICE = OpenApiParameter("device_pk", int, OpenApiParameter.PATH)


class ProposalViewSet(mixins.ListModelMixin, Scoped):
    """Swap proposals, oldest first; one in full carries reasons, settings and parts."""

    right = Right.SEE_PROPOSALS
    write_right = Right.DECIDE_PROPOSALS
    queryset = SwapProposal.objects.none()
    serializer_class = serializers_swaps.ProposalSerializer
    filterset_class = filters.ProposalFilter

    def visible(self, user: User) -> QuerySet[SwapProposal]:
        return swaps.proposals(user)

    @extend_schema(responses=serializers_swaps.ProposalDetailSerializer)
    def retrieve(self, request: Request, pk: str) -> Response:
        detail = swaps.proposal_detail(person(request), self.get_object().pk)
        if detail is None:
            raise Http404
        body = serializers_swaps.ProposalDetailSerializer(detail).data
        return Response(body, headers={"ETag": etag(detail.proposal)})

    @extend_schema(request=serializers_swaps.DecisionSerializer, parameters=[IF_MATCH])
    @action(detail=True, methods=["post"])
    def accept(self, request: Request, pk: str) -> Response:
        """Accept: the parts are reserved where they are."""
        return self._decide(request, accept_proposal)

    @extend_schema(request=serializers_swaps.DecisionSerializer, parameters=[IF_MATCH])
    @action(detail=True, methods=["post"])
    def decline(self, request: Request, pk: str) -> Response:
        """Decline: the same cover is not proposed for this device again."""
        return self._decide(request, decline_proposal)

    def _decide(self, request: Request, act: Callable[..., SwapProposal]) -> Response:
        proposal = self.get_object()
        check_if_match(request, proposal)
        form = serializers_swaps.DecisionSerializer(data=request.data)
        form.is_valid(raise_exception=True)
        act(proposal, by=person(request), version=proposal.version, note=form.validated_data["note"])
        decided = self.get_object()
        return Response(self.get_serializer(decided).data, headers={"ETag": etag(decided)})


class SwapNeedViewSet(ReadViewSet):
    """Devices that need a swap and for which no cover fits the wiring in place."""

    right = Right.SEE_PROPOSALS
    queryset = SwapNeed.objects.none()
    serializer_class = serializers_swaps.SwapNeedSerializer
    filterset_class = filters.SwapNeedFilter
    keyset_order = ("since", "id")

    def visible(self, user: User) -> QuerySet[SwapNeed]:
        return swaps.needs(user)


class DeviceSwapsViewSet(ViewSet):
    """Every cover of a device's family: verdict, reasons for and against, and what would cure them."""

    right = Right.SEE_PROPOSALS
    write_right: Right | None = None

    @extend_schema(responses=serializers_swaps.OptionSerializer(many=True), parameters=[DEVICE])
    def list(self, request: Request, device_pk: str) -> Response:
        found = swaps.why_not(person(request), int(device_pk))
        if found is None:
            raise Http404
        return Response(serializers_swaps.OptionSerializer(option_rows(found), many=True).data)


ENDPOINTS: dict[str, tuple[str, type[Any]]] = {
    "proposals": ("proposals", ProposalViewSet),
    "swap-needs": ("swap-needs", SwapNeedViewSet),
    "device-swaps": (r"devices/(?P<device_pk>\d+)/swaps", DeviceSwapsViewSet),
}
