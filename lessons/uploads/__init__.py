"""The open protocol tus 1.0.0 (25 March 2016): what do the headers of a request say, and what are the headers of its answer?

An upload is made by POST with its length and some metadata; its bytes follow by PATCH in slices of any size, each naming
where it begins; HEAD tells how much has arrived, so that a client whose line broke goes on from there. Of the extensions we
speak *creation* (also with the length told later), *checksum*, *expiration* and *termination*.

All lengths and offsets are in bytes and count from the first byte of the file. What has arrived is never taken back, with one
exception: a slice sent with a checksum counts as a whole or not at all. Example: of a slice of 8,000,000 bytes that begins at
16,000,000 the line breaks after 5,000,000. Sent without a checksum the upload stands at 21,000,000 afterwards; sent with one it
stands at 16,000,000, and so it does where all came but the sum differs.

A file that is chosen again after the page was loaded anew is compared with what has arrived in a few windows (`windows`). Only
where all are the same does the upload go on; the name of a file says nothing, for phones pack the same film differently.
"""

from lessons.uploads.checksum import ALGORITHMS, Checksum, Digest, read_checksum
from lessons.uploads.errors import (
    BusyError,
    ChecksumError,
    ContentTypeError,
    GoneError,
    HeaderError,
    LengthMissingError,
    NoRoomError,
    OffsetError,
    SizeError,
    StallError,
    UploadError,
    VersionError,
)
from lessons.uploads.headers import (
    SLICE_TYPE,
    VERSION,
    Creation,
    Slice,
    check_version,
    read_creation,
    read_number,
    read_slice,
    server_headers,
    state_headers,
    write_metadata,
    write_moment,
)
from lessons.uploads.windows import windows

__all__ = [
    "ALGORITHMS",
    "SLICE_TYPE",
    "VERSION",
    "BusyError",
    "Checksum",
    "ChecksumError",
    "ContentTypeError",
    "Creation",
    "Digest",
    "GoneError",
    "HeaderError",
    "LengthMissingError",
    "NoRoomError",
    "OffsetError",
    "SizeError",
    "Slice",
    "StallError",
    "UploadError",
    "VersionError",
    "check_version",
    "read_checksum",
    "read_creation",
    "read_number",
    "read_slice",
    "server_headers",
    "state_headers",
    "windows",
    "write_metadata",
    "write_moment",
]
