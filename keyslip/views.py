"""The phone page, and the supervisor's question whether the web server answers."""

import io
import ipaddress

import segno
from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_safe

from keyslip.authority import Authority


@require_safe
@login_not_required
@never_cache
def healthz(request: HttpRequest) -> HttpResponse:  # noqa: ARG001
    return HttpResponse("ok\n", content_type="text/plain")


@require_safe
@login_not_required
def phone(request: HttpRequest) -> HttpResponse:
    """How a phone reaches this computer. Open, because a phone comes here before anybody has signed in on it."""
    hosts = settings.KEYSLIP_LAN_HOSTS
    authority = Authority(settings.KEYSLIP_DATA / "authority")
    return render(
        request,
        "keyslip/phone.html",
        {
            "is_open": bool(hosts),
            "plain": [_address("http", host) for host in hosts],
            "secure": [_address("https", host) for host in hosts],
            "here": _phone_address(),
            "is_secure": request.is_secure(),
            "fingerprint": authority.fingerprint() if hosts else None,
        },
    )


@require_safe
@login_not_required
def phone_code(request: HttpRequest) -> HttpResponse:  # noqa: ARG001
    """The address of this page as a QR code. Dark on light in either colour scheme, as cameras want it."""
    address = _phone_address()
    if address is None:
        raise Http404
    drawing = io.BytesIO()
    segno.make(address, error="m", micro=False).save(
        drawing, kind="svg", scale=6, border=4, dark="#000", light="#fff", svgns=True, xmldecl=False
    )
    return HttpResponse(drawing.getvalue(), content_type="image/svg+xml")


@require_safe
@login_not_required
def phone_authority(request: HttpRequest) -> HttpResponse:  # noqa: ARG001
    """The certificate of the house's own authority, for phones to trust. It holds no secret."""
    certificate = Authority(settings.KEYSLIP_DATA / "authority").certificate_der()
    if not settings.KEYSLIP_LAN_HOSTS or certificate is None:
        raise Http404
    # Not as an attachment: one of the two phone systems then only keeps the file and does not offer to install it.
    return HttpResponse(certificate, content_type="application/x-x509-ca-cert")


def _address(scheme: str, host: str) -> str:
    port = settings.KEYSLIP_HTTPS_PORT if scheme == "https" else settings.KEYSLIP_HTTP_PORT
    return f"{scheme}://{host}:{port}"


def _phone_address() -> str | None:
    """Return the address of the phone page for a phone that trusts nothing yet: plain http, by number."""
    for host in settings.KEYSLIP_LAN_HOSTS:
        try:
            ipaddress.ip_address(host)
        except ValueError:
            continue
        return _address("http", host) + reverse("phone")
    return None
