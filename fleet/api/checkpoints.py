"""Signed heads of the workshop's tree, and proofs against them (RFC 9162)."""

from __future__ import annotations

import re
from typing import Final
from uuid import UUID

from django.db.models import QuerySet
from django.utils.translation import gettext_lazy as _
from drf_spectacular.types import OpenApiTypes
from drf_spectacular.utils import OpenApiParameter, extend_schema
from rest_framework import serializers
from rest_framework.mixins import ListModelMixin
from rest_framework.request import Request
from rest_framework.response import Response

from fleet.checkpoint_keys import origin_of, signing_key
from fleet.errors import Invalid, NotFound
from fleet.merkle import leaf_hash
from fleet.models import Checkpoint, LedgerEntry
from fleet.permissions import Permission
from fleet.selectors.ledger_tree import ConsistencyProof, InclusionProof, consistency_proof, inclusion_proof
from fleet.selectors.vehicles import sees_whole_workshop, visible_vehicles, within_tenures
from fleet.signed_heads import verifier_key

from .fields import AwareDateTime
from .resources import ActionViewSet

_SIZE: Final = re.compile(r"[1-9][0-9]{0,17}", re.ASCII)


class CheckpointSerializer(serializers.Serializer[Checkpoint]):
    """A signed head. Keep `note` where nobody who runs the service can rewrite it: later heads must go with it."""

    origin = serializers.SerializerMethodField(help_text=_("The name of the workshop's tree."))
    size = serializers.IntegerField(help_text=_("How many ledger entries it is over."))
    root_hash = serializers.CharField(
        source="root", help_text=_("Root of the Merkle tree (RFC 9162, SHA-256), hexadecimal.")
    )
    made_at = AwareDateTime()
    note = serializers.CharField(help_text=_("The head as signed text (C2SP tlog-checkpoint)."))
    verifier_key = serializers.SerializerMethodField(
        help_text=_("The installation's public key now, as programs for signed notes take it: `name+hash+key`.")
    )

    def get_origin(self, checkpoint: Checkpoint) -> str:
        return origin_of(checkpoint.workshop_id)

    def get_verifier_key(self, checkpoint: Checkpoint) -> str:
        return verifier_key(origin_of(checkpoint.workshop_id), signing_key().public_key())


class InclusionProofSerializer(serializers.Serializer[InclusionProof]):
    """That an entry is in the tree of a head. The leaf's data are the 32 bytes of the entry's hash."""

    entry = serializers.UUIDField(source="entry.pk")
    entry_hash = serializers.CharField(source="entry.hash", help_text=_("SHA-256 of the entry, hexadecimal."))
    leaf_index = serializers.IntegerField(help_text=_("Counted from 0."))
    leaf_hash = serializers.SerializerMethodField(help_text=_("SHA-256 over 0x00 and the leaf's data, hexadecimal."))
    path = serializers.SerializerMethodField(help_text=_("Inclusion path (RFC 9162, 2.1.3), from the leaf upwards."))
    checkpoint = CheckpointSerializer()

    def get_leaf_hash(self, proof: InclusionProof) -> str:
        return leaf_hash(bytes.fromhex(proof.entry.hash)).hex()

    def get_path(self, proof: InclusionProof) -> list[str]:
        return [node.hex() for node in proof.path]


class ConsistencyProofSerializer(serializers.Serializer[ConsistencyProof]):
    """That nothing was rewritten between two heads."""

    first = CheckpointSerializer()
    second = CheckpointSerializer()
    path = serializers.SerializerMethodField(
        help_text=_("Consistency path (RFC 9162, 2.1.4); empty where both are the same.")
    )

    def get_path(self, proof: ConsistencyProof) -> list[str]:
        return [node.hex() for node in proof.path]


class CheckpointViewSet(ListModelMixin, ActionViewSet):
    """`/ledger/checkpoints/`. A head tells nothing of what the ledger holds: whoever reads anything may have it."""

    queryset = Checkpoint.objects.all()
    serializer_class = CheckpointSerializer
    ordering = "-size"
    read_permission = Permission.READ_OWN_VEHICLES
    summaries = {
        "list": _("Signed heads of the ledger's tree, the newest first."),
        "retrieve": _("The head of one size."),
    }

    def get_queryset(self) -> QuerySet[Checkpoint]:
        return Checkpoint.objects.all()

    def retrieve(self, request: Request, size: int) -> Response:
        checkpoint = Checkpoint.objects.filter(size=size).first() if _SIZE.fullmatch(str(size)) else None
        if checkpoint is None:
            raise NotFound
        return Response(CheckpointSerializer(checkpoint).data)


_A_SIZE: Final = {"type": "integer", "minimum": 1, "maximum": 10**18 - 1}
_QUERIES: Final = {
    "inclusion": [
        OpenApiParameter("entry", OpenApiTypes.UUID, required=True, description="Id of the ledger entry."),
        OpenApiParameter("size", _A_SIZE, description="Size of the head to prove it against; the newest unless given."),
    ],
    "consistency": [
        OpenApiParameter("first", _A_SIZE, required=True, description="Size of the earlier head."),
        OpenApiParameter("second", _A_SIZE, description="Size of the later head; the newest unless given."),
    ],
}


class ProofView(ActionViewSet):
    """`/ledger/proof/` and `/ledger/consistency/`"""

    queryset = LedgerEntry.objects.all()
    serializer_class = InclusionProofSerializer
    pagination_class = None
    filter_backends = ()
    read_permission = Permission.READ_OWN_VEHICLES
    parameters = {action: [each.name for each in known] for action, known in _QUERIES.items()}
    summaries = {
        "inclusion": _("Proof that a ledger entry is in the tree of a signed head."),
        "consistency": _("Proof that the tree of one signed head begins with the tree of an earlier one."),
    }

    @extend_schema(parameters=_QUERIES["inclusion"], responses=InclusionProofSerializer)
    def inclusion(self, request: Request) -> Response:
        entry = self._entry(_asked(request, "entry"))
        return Response(InclusionProofSerializer(inclusion_proof(entry, _size(request, "size"))).data)

    @extend_schema(parameters=_QUERIES["consistency"], responses=ConsistencyProofSerializer)
    def consistency(self, request: Request) -> Response:
        _asked(request, "first")
        first, second = _size(request, "first"), _size(request, "second")
        assert first is not None  # asked for above
        return Response(ConsistencyProofSerializer(consistency_proof(first, second)).data)

    def _entry(self, text: str) -> LedgerEntry:
        """Entries that the person may read: of the workshop, or in the history of their own vehicles."""
        try:
            entry_id = UUID(text)
        except ValueError:
            raise Invalid.at("/entry", "invalid", _("Give the id of a ledger entry, a UUID.")) from None
        entry = LedgerEntry.objects.filter(pk=entry_id).first()
        if entry is None or not self._is_visible(entry):
            raise NotFound
        return entry

    def _is_visible(self, entry: LedgerEntry) -> bool:
        if sees_whole_workshop(self.actor):
            return True
        if entry.vehicle_id is None:
            return False
        vehicle = visible_vehicles(self.actor).filter(pk=entry.vehicle_id).first()
        own = LedgerEntry.objects.filter(pk=entry.pk)
        return vehicle is not None and within_tenures(own, self.actor, vehicle, "recorded_at").exists()


def _asked(request: Request, name: str) -> str:
    value = request.query_params.get(name, "")
    if not value:
        raise Invalid.at(f"/{name}", "required", _("This has to stand in the query."))
    return value


def _size(request: Request, name: str) -> int | None:
    value = request.query_params.get(name)
    if value is None:
        return None
    if not _SIZE.fullmatch(value):
        raise Invalid.at(f"/{name}", "invalid", _("Give the size of a head: a whole number from 1, without a sign."))
    return int(value)
