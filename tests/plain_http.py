"""For connections over plain HTTP: no certificate is looked at there.

A connection of httpx that is not told so reads all certificates that its machine trusts, which takes longer than what
most tests ask of it.
"""

import ssl
from typing import Final

TRUSTING_NOBODY: Final = ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT)
