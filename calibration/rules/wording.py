"""A stored proposal in the reader's words: its own are those of whoever recorded it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from . import limit_texts, proposal_texts, texts

Document = Mapping[str, Any]


def in_words(content: Document) -> dict[str, Any]:
    """The content of a proposal, its reasons, prior, limits and follow-ups worded anew from codes and figures."""
    return {
        **content,
        "changes": {
            corner: {**change, "reason": change_reason(change)} for corner, change in content["changes"].items()
        },
        "prior": {**content["prior"], "detail": proposal_texts.prior_text(content["prior"])},
        "limits": [{**each, "detail": limit_detail(each)} for each in content["limits"]],
        "follow_ups": [{**each, "detail": _follow_up(each)} for each in content["follow_ups"]],
    }


def change_reason(change: Document) -> str:
    """Why a corner moves or stays; the words that are stored where another version gave the reason."""
    code = change["reason_code"]
    return (
        proposal_texts.corner_reason_text(code, change["numbers"])
        if code in proposal_texts.CORNER_REASONS
        else change["reason"]
    )


def limit_detail(limit: Document) -> str:
    """What a limit was compared with, likewise."""
    if limit["code"] not in limit_texts.LIMITS:
        return str(limit["detail"])
    return limit_texts.limit_text(limit["code"], limit["value"], limit["limit"])


def _follow_up(follow_up: Document) -> str:
    return str(texts.FOLLOW_UPS.get(follow_up["code"], follow_up["detail"]))
