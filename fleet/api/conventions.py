"""What holds for every call of the interface, as the head of its description says it."""

from typing import Final

from .fields import FIRST_YEAR, LAST_YEAR

CONVENTIONS: Final = f"""\
Calibration records of vehicles with height-controlled suspension: what was measured, proposed, written and signed.

**Who asks.** `Authorization: Bearer …` with a token of `POST /tokens/`. It belongs to one person in one workshop; what
is another workshop's does not exist (404). A program's token has scopes, which a manager gives it. A tablet has a token
of its own (`POST /enrolments/`), with which whoever is at it gets theirs by PIN (`POST /tablet/person/`); once the
tablet is revoked both are answered with 401 `tablet_revoked`. A browser that is signed in may send its session's cookie
instead of a token, and with whatever changes something the cookie `csrftoken` as `X-CSRFToken`.

**Names carry units:** `_mm`, `_km`, `_kg`, `_kpa`, `_deg_c`, `_counts` (of the control unit). Set-points are whole
counts. Maps by corner have the keys `FL`, `FR`, `RL`, `RR`; maps of set-points have the controlled corners only.
Uncertainties called expanded are two-sided with 95 % coverage (JCGM 100).

**Times** are RFC 3339 with an offset, dates plain; years from {FIRST_YEAR} to {LAST_YEAR}. Answers are in UTC.

**Ids** are UUIDs of version 7, and whoever makes a record may make its id. Sent again under that id with the same
content it is answered with 200 and the record as it was first made, with other content with 409. Retry as often as
you like, always under the same id.

**Changes** (`PATCH`) name the version that they change: `If-Match` with the `ETag` last seen.

**Lists** are pages, `next` and `previous` the addresses of their neighbours; `page_size` is at most 200.

**Problems** are RFC 9457. Act on `type`, `next_step` and the `code` of each error, which are stable; `title` and
`detail` are for people.

**Bodies** are JSON objects in UTF-8; a member that is not described is refused. A body is sent in one piece with
`Content-Length`, and refused with 408 when it stops coming.
"""
