"""What may be shown of a text that somebody wrote: nothing that drives a terminal or turns writing round."""

from __future__ import annotations

import re

_UNSEEN = "\x00-\x08\x0b-\x1f\x7f-\x9f\u202a-\u202e\u2066-\u2069\ud800-\udfff\ufffe\uffff"
UNSEEN = re.compile(f"[{_UNSEEN}]")
"""Control characters, marks that turn the direction of writing, and what is no letter at all."""


def visible(text: str) -> str:
    """Text of one or more lines, with what is not to be seen shown as �."""
    return UNSEEN.sub("\ufffd", text.replace("\r\n", "\n"))


def clean(text: str) -> str:
    """Text in one line, with what is not to be seen shown as �."""
    return visible(re.sub(r"\s+", " ", text).strip())
