"""Which broker carries the hints that background work is due."""

from urllib.parse import quote

from deploy.embedded import valkey
from deploy.embedded.folder import DataFolder


def embedded_url(data: DataFolder) -> str:
    """Return the URL of the embedded Valkey."""
    return f"redis+socket://{quote(str(valkey.socket_path(data)))}"
