"""What every answer says about itself."""

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

# Everything comes from this computer. Pictures and clips may also be blobs: a take just recorded is played before it is sent.
CONTENT_POLICY = "; ".join(
    [
        "default-src 'self'",
        "img-src 'self' blob:",
        "media-src 'self' blob:",
        "object-src 'none'",
        "base-uri 'self'",
        "form-action 'self'",
        "frame-ancestors 'none'",
    ]
)
# Camera and microphone for our own pages only; nothing here asks where somebody is or how they pay.
PERMISSIONS_POLICY = "camera=(self), microphone=(self), geolocation=(), payment=(), usb=(), browsing-topics=()"


class ContentPolicyMiddleware:
    """Set the content policy and the permissions of a page, unless its view has set a stricter one of its own."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        response = self.get_response(request)
        response.headers.setdefault("Content-Security-Policy", CONTENT_POLICY)
        response.headers.setdefault("Permissions-Policy", PERMISSIONS_POLICY)
        return response
