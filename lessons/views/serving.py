"""Answers that carry a private file: whole, in ranges, or handed on to a proxy in front of us.

Players seek by asking for ranges of bytes, and some play nothing at all unless they get them (RFC 9110, section 14).
"""

import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO
from urllib.parse import quote

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse, StreamingHttpResponse
from django.http.response import HttpResponseBase
from django.utils.http import content_disposition_header

# Bytes read at a time: small enough for many phones at once, large enough to be quick.
CHUNK_BYTES = 65_536

# Eighteen digits are more bytes than any disk holds; longer numbers are no range.
_RANGE = re.compile(r"bytes=\s*(\d{0,18})\s*-\s*(\d{0,18})\s*", re.IGNORECASE | re.ASCII)


class FileSlice:
    """Bytes `start` to `end` (not included) of an open file, in chunks. Closing it closes the file."""

    def __init__(self, file: BinaryIO, *, start: int, end: int) -> None:
        self.file = file
        self.left = end - start
        file.seek(start)

    def __iter__(self) -> Iterator[bytes]:
        while self.left > 0:
            chunk = self.file.read(min(CHUNK_BYTES, self.left))
            if not chunk:  # the file was cut short meanwhile
                break
            self.left -= len(chunk)
            yield chunk

    def close(self) -> None:
        self.file.close()


def serve_file(
    request: HttpRequest, path: Path, *, content_type: str, attachment_name: str | None = None
) -> HttpResponseBase:
    """Answer with a file that the view has found to be the asker's own.

    The type is ours, never the sender's; the answer may not run anything, and nobody else keeps it. A file that is removed
    while it is sent is sent to its end, for it stays open.
    """
    try:
        file = path.open("rb")
    except FileNotFoundError as error:
        raise Http404 from error
    found = os.fstat(file.fileno())
    size = found.st_size
    etag = f'"{found.st_mtime_ns:x}-{size:x}"'
    response: HttpResponseBase
    if not _is_wanted(request, etag):
        file.close()
        response = HttpResponse(status=412, content_type=content_type)
    elif _knows_already(request, etag):
        file.close()
        # The length is that of the answer we spare; without it a middleware would write 0.
        response = HttpResponse(status=304, headers={"Content-Length": str(size)})
        del response["Content-Type"]
    elif settings.KEYSLIP_ACCEL_PREFIX:
        file.close()
        response = HttpResponse(content_type=content_type)
        inside = path.relative_to(settings.KEYSLIP_DATA).as_posix()
        response["X-Accel-Redirect"] = f"{settings.KEYSLIP_ACCEL_PREFIX.rstrip('/')}/{quote(inside)}"
    else:
        response = _answer(request, file, size=size, etag=etag, content_type=content_type)
    response["ETag"] = etag
    response["Accept-Ranges"] = "bytes"
    response["Cache-Control"] = "private, no-cache"
    response["X-Content-Type-Options"] = "nosniff"
    response["Content-Security-Policy"] = "default-src 'none'; sandbox"
    response["Cross-Origin-Resource-Policy"] = "same-origin"
    if attachment_name is not None:
        response["Content-Disposition"] = _as_attachment(attachment_name)
    return response


def _as_attachment(name: str) -> str:
    """Return the header under which a browser saves a file; what no file name may hold is left out of it."""
    plain = "".join(" " if ord(sign) < 32 or ord(sign) == 127 else sign for sign in name)
    plain = plain.replace("/", "_").replace("\\", "_").strip(" .") or "clip"
    return content_disposition_header(as_attachment=True, filename=plain) or "attachment"


def _is_wanted(request: HttpRequest, etag: str) -> bool:
    """Return whether the file is one the asker insists on (RFC 9110, 13.1.1: strong comparison); asked before all else."""
    named = [tag.strip() for tag in request.headers.get("If-Match", "*").split(",")]
    return etag in named or "*" in named


def _knows_already(request: HttpRequest, etag: str) -> bool:
    named = [tag.strip().removeprefix("W/") for tag in request.headers.get("If-None-Match", "").split(",")]
    return etag in named or "*" in named


def _answer(request: HttpRequest, file: BinaryIO, *, size: int, etag: str, content_type: str) -> HttpResponseBase:
    if request.method == "HEAD":  # ranges have a meaning for GET alone
        file.close()
        return HttpResponse(content_type=content_type, headers={"Content-Length": str(size)})
    wanted = _wanted_range(request, size=size, etag=etag)
    if wanted is None:
        status, start, end = 200, 0, size
    else:
        status, (start, end) = 206, wanted
        if start >= end:
            file.close()
            return HttpResponse(status=416, content_type=content_type, headers={"Content-Range": f"bytes */{size}"})
    response = StreamingHttpResponse(FileSlice(file, start=start, end=end), status=status, content_type=content_type)
    response["Content-Length"] = str(end - start)
    if status == 206:
        response["Content-Range"] = f"bytes {start}-{end - 1}/{size}"
    return response


def _wanted_range(request: HttpRequest, *, size: int, etag: str) -> tuple[int, int] | None:
    """Return start and end (not included) of the one range asked for; None for the whole; an empty one cannot be met.

    Several ranges, other units and what cannot be read are answered with the whole, as the standard allows. So is a range
    that holds only if the file is still that of a date or of a weak tag: we give no dates, and only strong tags compare.
    """
    asked = request.headers.get("Range")
    if not asked or request.headers.get("If-Range", etag) != etag:
        return None
    found = _RANGE.fullmatch(asked.strip())
    if found is None or not (found[1] or found[2]):
        return None
    if not found[1]:
        return max(0, size - int(found[2])), size
    first = int(found[1])
    if found[2] and int(found[2]) < first:
        return None
    return first, min(size, int(found[2]) + 1) if found[2] else size
