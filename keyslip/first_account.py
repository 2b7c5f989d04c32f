"""The one-time link that makes the first account. Only a digest of its token is kept, in the data folder."""

import hashlib
import secrets
from pathlib import Path

from django.contrib.auth import get_user_model

from keyslip.data import write_private

# Bytes of randomness in the link: 18 give 144 bits in 24 letters, short enough to type on a phone once.
TOKEN_BYTES = 18


def first_account_path(data: Path, *, token: str | None = None) -> str | None:
    """Return the path of a fresh link while nobody has an account, or None. Any earlier link stops working.

    The sample learner is nobody's account.
    """
    file = data / "first_account_token"
    if get_user_model().objects.filter(is_sample=False).exists():
        file.unlink(missing_ok=True)
        return None
    token = token or secrets.token_urlsafe(TOKEN_BYTES)
    write_private(file, hashlib.sha256(token.encode()).hexdigest().encode())
    return f"/begin/{token}/"
