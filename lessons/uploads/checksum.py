"""Checksums of slices, as the protocol writes them: a name and a digest in base64."""

import base64
import binascii
import hashlib
from dataclasses import dataclass
from typing import Protocol

from lessons.uploads.errors import HeaderError

# Bytes of a digest, by the name that the protocol gives its algorithm. Both are in every browser; they guard against broken
# lines, not against people, for whoever may send a slice may send any.
ALGORITHMS = {"sha256": 32, "sha1": 20}


class Digest(Protocol):
    """What `hashlib` returns: bytes go in, a digest comes out."""

    def update(self, data: bytes, /) -> None: ...

    def digest(self) -> bytes: ...


@dataclass(frozen=True, slots=True)
class Checksum:
    """What a slice was when it was sent."""

    algorithm: str
    digest: bytes

    def begin(self) -> Digest:
        """Return a fresh sum, to be fed with the bytes of the slice.

        Returns
        -------
        Digest
            A `hashlib` object of this algorithm that has seen no bytes.

        Examples
        --------
        >>> sent = read_checksum("sha1 Kq5sNclPz7QV2+lfQIuc6R7oRu0=")
        >>> found = sent.begin()
        >>> found.update(b"hello world")
        >>> found.digest() == sent.digest
        True
        """
        return hashlib.new(self.algorithm, usedforsecurity=False)


def read_checksum(text: str) -> Checksum:
    """Return the checksum that a header ``Upload-Checksum`` names.

    After tus 1.0.0, section “Checksum”. There an unknown algorithm is to be answered with 400, as `HeaderError` is.

    Parameters
    ----------
    text : str
        Name of the algorithm, one blank, and the digest in base64.

    Returns
    -------
    Checksum
        The algorithm (a key of `ALGORITHMS`) and the digest in bytes.

    Raises
    ------
    HeaderError
        If the algorithm is unknown, or the digest is no base64 of its length. An empty text is neither.

    Examples
    --------
    >>> read_checksum("sha1 Kq5sNclPz7QV2+lfQIuc6R7oRu0=").algorithm
    'sha1'
    """
    algorithm, _, encoded = text.strip().partition(" ")
    if algorithm not in ALGORITHMS:
        raise HeaderError(f"Upload-Checksum names “{algorithm[:20]}”; {' and '.join(ALGORITHMS)} are known.")
    try:
        digest = base64.b64decode(encoded.strip(), validate=True)
    except (binascii.Error, ValueError) as error:
        raise HeaderError("The digest in Upload-Checksum is not base64.") from error
    if len(digest) != ALGORITHMS[algorithm]:
        raise HeaderError(
            f"The digest in Upload-Checksum has {len(digest)} bytes; {algorithm} has {ALGORITHMS[algorithm]}."
        )
    return Checksum(algorithm, digest)
