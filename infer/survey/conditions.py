"""How each page of a survey was made and judged, from its record."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

from crownlet.datasets.scribal.catalogue import GLYPH_DEFECTS
from crownlet.infer.survey.page_letters import PageLetters, name_record
from crownlet.infer.survey.pseudonyms import PageKey


@dataclass(frozen=True)
class PageConditions:
    """How one page was made and judged."""

    source: str
    """Code."""
    customs: str
    networks: str
    portion: str
    q_px: float
    """Width of the pen in pixels of the picture."""
    not_resolved: frozenset[str]
    """Defects for which the picture is too coarse."""


def list_conditions(
    folder: Path, pages: Iterable[PageLetters], key_of: Mapping[str, PageKey]
) -> tuple[PageConditions, ...]:
    """The conditions of every page of a survey's folder; RunError for a damaged record."""
    found = []
    for page in pages:
        with name_record(folder, page.page):
            found.append(_read_conditions(page, key_of[page.page].code))
    return tuple(found)


def _read_conditions(page: PageLetters, source: str) -> PageConditions:
    facts, quality = page.facts, page.facts.get("quality") or {}
    versions = facts.get("versions") or {}
    customs, model = versions.get("customs") or {}, versions.get("model") or {}
    return PageConditions(
        source,
        f"{customs.get('name', '')} {customs.get('version', '')}".strip(),
        f"{model.get('version', '')} {str(model.get('assessor.onnx', ''))[:8]}".strip(),
        str((facts.get("text") or {}).get("portion") or ""),
        float(quality.get("q_px") or 0.0),
        frozenset(facts.get("not_resolved") or ()) & frozenset(GLYPH_DEFECTS),
    )
