"""Headers of resumable uploads, as clients write them and as nobody should."""

import base64
import contextlib
import hashlib
from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from lessons.uploads import (
    SLICE_TYPE,
    ContentTypeError,
    HeaderError,
    LengthMissingError,
    UploadError,
    VersionError,
    check_version,
    errors,
    read_checksum,
    read_creation,
    read_number,
    read_slice,
    server_headers,
    state_headers,
    write_metadata,
)
from lessons.uploads.headers import MOST_METADATA, read_metadata

SLICE = {"Content-Type": SLICE_TYPE, "Content-Length": "5", "Upload-Offset": "70"}
KEYS = st.text(st.sampled_from("abcdefghijklmnopqrstuvwxyz_-."), min_size=1, max_size=20)
PRINTABLE = st.text(st.characters(exclude_categories=("Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp", "Zs")), max_size=60)


@given(st.dictionaries(KEYS, PRINTABLE, max_size=8))
def test_metadata_comes_back_as_it_was_written(values):
    assert read_metadata(write_metadata(values)) == values


@given(st.text(max_size=200))
def test_any_metadata_is_read_or_refused(text):
    try:
        found = read_metadata(text)
    except HeaderError:
        return
    assert all(value.isprintable() for value in found.values())


@given(
    st.dictionaries(
        st.sampled_from([*SLICE, "Upload-Length", "Upload-Checksum", "Upload-Defer-Length"]), st.text(max_size=40)
    )
)
def test_any_headers_are_read_or_refused(headers):
    for read in (read_slice, read_creation):
        with contextlib.suppress(UploadError):
            read(headers)


@pytest.mark.parametrize(
    "text",
    [
        "filename",
        "a b c",
        ",",
        "a,,b",
        "ä dGVzdA==",
        "a dGVzdA==,a dGVzdA==",
        "a /w==",
        "a dGVzdA",
        "x" * (MOST_METADATA + 1),
    ],
)
def test_metadata_that_nobody_can_read_is_refused(text):
    if text == "filename":
        assert read_metadata(text) == {"filename": ""}
        return
    with pytest.raises(HeaderError, match="Upload-Metadata"):
        read_metadata(text)


def test_control_characters_are_taken_out_of_values():
    assert read_metadata(write_metadata({"filename": "a\0b\r\nc\u202ed"})) == {"filename": "abcd"}


@pytest.mark.parametrize("text", ["", "-1", "+1", "1.5", "1e3", "٣", "0x10", "1 2", "9" * 19, "abc"])
def test_number_that_is_none_is_refused(text):
    with pytest.raises(HeaderError, match="a number of bytes is wanted"):
        read_number(text, name="Upload-Length")


@pytest.mark.parametrize(
    "headers",
    [
        {},
        {"Upload-Length": "5", "Upload-Defer-Length": "1"},
        {"Upload-Defer-Length": "0"},
        {"Upload-Defer-Length": "yes"},
        {"Upload-Length": "five"},
    ],
)
def test_creation_without_one_clear_length_is_refused(headers):
    with pytest.raises(HeaderError):
        read_creation(headers)


def test_slice_says_where_it_begins_and_how_long_it_is():
    found = read_slice(SLICE | {"Upload-Length": "900"})
    assert (found.offset_bytes, found.length_bytes, found.size_bytes, found.checksum) == (70, 5, 900, None)


@pytest.mark.parametrize(
    ("missing", "error"),
    [("Content-Type", ContentTypeError), ("Content-Length", LengthMissingError), ("Upload-Offset", HeaderError)],
)
def test_slice_that_leaves_something_out_is_refused(missing, error):
    with pytest.raises(error):
        read_slice({name: value for name, value in SLICE.items() if name != missing})


def test_every_kind_of_refusal_has_a_status_of_its_own():
    kinds = [kind for kind in vars(errors).values() if isinstance(kind, type) and issubclass(kind, UploadError)]
    statuses = [kind.status for kind in kinds if kind not in {UploadError, HeaderError}]
    assert len(set(statuses)) == len(statuses)
    assert all(400 <= status <= 507 for status in statuses)


@pytest.mark.parametrize(
    "headers", [{}, {"Tus-Resumable": ""}, {"Tus-Resumable": "1.0"}, {"Tus-Resumable": "1.0.0, 0.2"}]
)
def test_only_our_version_passes(headers):
    with pytest.raises(VersionError, match=r"1\.0\.0 is wanted"):
        check_version(headers)


@pytest.mark.parametrize("name", ["sha1", "sha256"])
def test_checksum_is_that_of_the_bytes(name):
    sent = read_checksum(f"{name} {base64.b64encode(hashlib.new(name, b'a slice').digest()).decode()}")
    found = sent.begin()
    found.update(b"a ")
    found.update(b"slice")
    assert found.digest() == sent.digest


@pytest.mark.parametrize(
    "text",
    ["", "sha1", "md5 1B2M2Y8AsgTpgAmY7PhCfg==", "sha1 ????", "sha1 AAAA", "sha256 Kq5sNclPz7QV2+lfQIuc6R7oRu0="],
)
def test_checksum_that_is_none_is_refused(text):
    with pytest.raises(HeaderError, match="Upload-Checksum"):
        read_checksum(text)


def test_moments_are_told_in_greenwich_time():
    evening = datetime(2026, 11, 25, 23, 30, tzinfo=timezone(timedelta(hours=5)))
    told = state_headers(offset_bytes=0, size_bytes=9, expires_at=evening)
    assert told == {"Upload-Offset": "0", "Upload-Length": "9", "Upload-Expires": "Wed, 25 Nov 2026 18:30:00 GMT"}
    assert state_headers(offset_bytes=0, size_bytes=9, expires_at=evening.astimezone(UTC)) == told


def test_server_tells_only_what_it_does():
    told = server_headers(most_bytes=5)
    assert set(told["Tus-Extension"].split(",")) == {
        "creation",
        "creation-defer-length",
        "checksum",
        "expiration",
        "termination",
    }
    assert "sha1" in told["Tus-Checksum-Algorithm"].split(",")  # the protocol wants this one at least
