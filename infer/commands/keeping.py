"""Pages that need no second look: same picture, networks, numbers, customs and text as before."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from crownlet.infer.commands.naming import checksum_if_there
from crownlet.infer.wanted import AUTO, NOT_COMPARED
from crownlet.infer.writer import FILES, SCHEMA

if TYPE_CHECKING:
    from crownlet.infer.sides import Side
    from crownlet.infer.wanted import Wanted


def asked(portion: Wanted, side: Side | None) -> dict[str, str]:
    """What a page was asked with, as its record keeps it."""
    said = {"side": side or ""}
    if portion is None or portion == AUTO:
        return said | {"portion": portion or NOT_COMPARED}
    parts = (
        portion.words, portion.lines, sorted(portion.name_words), sorted(portion.opens),
        sorted(portion.large_letters), sorted(portion.otherwise), portion.excerpt,
    )  # fmt: skip
    digest = hashlib.sha256(json.dumps(parts).encode()).hexdigest()
    return said | {"portion": portion.name, "sha256": digest}


def kept(
    folder: Path,
    picture: Path,
    versions: Mapping[str, Mapping[str, Any]],
    question: Mapping[str, str],
) -> bool:
    """Whether a page's folder holds what inspecting the picture now would write into it."""
    try:
        facts = json.loads((folder / "page.json").read_bytes())
        image = facts["image"]
        same = (
            facts["schema"] == SCHEMA
            and facts["page"] == folder.name
            and facts["asked"] == question
            and facts["versions"] == json.loads(json.dumps(versions))
            and Path(image["path"]).absolute() == picture.absolute()
            and all((folder / name).is_file() for name in FILES)
        )
        return bool(same and image["sha256"] == checksum_if_there(picture))
    except (OSError, ValueError, KeyError, TypeError):
        return False
