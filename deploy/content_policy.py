"""What pages may load: nothing inline, nothing from elsewhere."""

from typing import Final

from csp.constants import NONE, SELF

CONTENT_POLICY: Final = {
    "DIRECTIVES": {
        "default-src": [NONE],
        "base-uri": [NONE],
        "connect-src": [SELF],
        "font-src": [SELF],
        "form-action": [SELF],
        "frame-ancestors": [NONE],
        "img-src": [SELF],
        "manifest-src": [SELF],
        "script-src": [SELF],
        "style-src": [SELF],
        "worker-src": [SELF],
    }
}
