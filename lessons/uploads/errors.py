"""What can be wrong with a request about an upload, each with the status that answers it."""


class UploadError(Exception):
    """Base of every error raised by `lessons.uploads`, and of every refusal of a request about an upload.

    The message is a sentence for the learner. ``status`` is the HTTP status that the protocol wants for it.
    """

    status: int = 400


class HeaderError(UploadError):
    """A header is missing, or holds what nobody can read."""


class VersionError(UploadError):
    """The request speaks no version of the protocol that we speak."""

    status = 412


class ContentTypeError(UploadError):
    """The bytes of a slice come under another media type than the protocol's."""

    status = 415


class LengthMissingError(UploadError):
    """A slice does not say beforehand how long it is."""

    status = 411


class OffsetError(UploadError):
    """A slice begins elsewhere than where the bytes that have arrived end."""

    status = 409


class SizeError(UploadError):
    """More bytes come than were announced, or than a clip may have."""

    status = 413


class ChecksumError(UploadError):
    """A slice has another checksum than it was sent with; it is dropped."""

    status = 460


class BusyError(UploadError):
    """Another request is writing to the same upload."""

    status = 423


class GoneError(UploadError):
    """The upload has expired."""

    status = 410


class StallError(UploadError):
    """No byte came for a long time."""

    status = 408


class NoRoomError(UploadError):
    """The disk, or the learner's share of it, has no room for what is to come."""

    status = 507
