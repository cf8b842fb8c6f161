"""The demo's index page: one file that opens offline and says first what it is not."""

from __future__ import annotations

from collections import Counter
from html import escape
from typing import TYPE_CHECKING

from crownlet.datasets.catalogue import CATALOGUE
from crownlet.infer.cautions import ALWAYS, NAME_CAUTION, RULING, UNFAMILIAR
from crownlet.infer.demo.scenario import SOURCES
from crownlet.infer.demo.style import CSS
from crownlet.infer.places import Place, shown
from crownlet.infer.plain import said

if TYPE_CHECKING:
    from crownlet.infer.demo.run import Result

_WITHOUT_ODDS = ("letter_absent", "letter_extra", "unfamiliar")


def index_page(results: list[Result]) -> str:
    """The whole page as HTML."""
    body = "".join(
        [_opening(results), _overview(results), _by_reason(results)]
        + [_sheet(result) for result in results]
        + [_glossary(results), _not_examined()]
    )
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>Crownlet: a first look at two sources</title><style>{CSS}</style></head>"
        f"<body>{body}{_foot(results)}</body></html>\n"
    )


def _opening(results: list[Result]) -> str:
    manners = ", ".join(f"{s.name} by {s.manner}" for s in SOURCES)
    letters = sum(len(r.record.glyphs) for r in results)
    return (
        '<header><p class="over">Crownlet demonstration</p>'
        f"<h1>A first look at {len(results)} sheets from two sources</h1>"
        f'<p class="lede">An invented survey. Two mezuzot each were taken from two sources, '
        f"{escape(manners)}, and scanned on both sides. The program read all {letters:,} letters "
        "and marked the places that a trained examiner should look at.</p>"
        f'<div class="caution"><p>{escape(RULING)}</p><p>{escape(NAME_CAUTION)} '
        "Marked pages are left out when this page is printed.</p>"
        "<p>Scribes, sources and faults are invented: every sheet was drawn by this program's own "
        "generator.</p></div></header><main>"
    )


def _overview(results: list[Result]) -> str:
    rows = []
    for source in SOURCES:
        own = [r for r in results if r.sheet.source == source]
        rows += [_row(_link(r), [r]) for r in own]
        rows.append(_row(f"{source.name}, all sheets", own, "sum"))
    head = (
        '<tr><th>Sheet</th><th class="n">Letters</th><th class="n">Findings</th>'
        '<th class="n">To review</th><th class="n">Findings in 100 letters</th>'
        "<th>Places; a full bar is 20 in 100 letters</th></tr>"
    )
    return (
        f'<section><h2>By sheet and source</h2><div class="wide"><table>{head}{"".join(rows)}'
        "</table></div><p>Places are letters, whites between letters, and letters of the text that "
        "are absent. Solid: findings; broken: to review, where the program is in doubt.</p>"
        "</section>"
    )


def _link(result: Result) -> str:
    return f'<a href="#{result.sheet.name}">{_title(result)}</a>'


def _title(result: Result) -> str:
    sheet = result.sheet
    return f"{sheet.source.name}, scroll {sheet.scroll}, {sheet.side}"


def _count(results: list[Result], route: str) -> int:
    return sum(mark.route == route for r in results for mark in r.places)


def _row(title: str, results: list[Result], style: str = "") -> str:
    letters = sum(len(r.record.glyphs) for r in results)
    found, review = _count(results, "finding"), _count(results, "review")
    rate = 100 * found / max(letters, 1)
    wide = (min(100.0, 100 * n / max(letters, 1) * 5) for n in (found, review))
    bar = "".join(
        f'<i class="{k}" style="width:{w:.1f}%"></i>' for k, w in zip("fr", wide, strict=True)
    )
    return (
        f'<tr class="{style}"><td>{title}</td><td class="n">{letters:,}</td><td class="n">{found}'
        f'</td><td class="n">{review}</td><td class="n">{rate:.1f}</td>'
        f'<td><div class="bar">{bar}</div></td></tr>'
    )


def _by_reason(results: list[Result]) -> str:
    """Findings and reviews by their first reason, source beside source."""
    tally: dict[str, Counter[str]] = {source.name: Counter() for source in SOURCES}
    for result in results:
        tally[result.sheet.source.name].update(mark.reasons[0] for mark in result.places)
    total = sum(tally.values(), Counter())
    head = "".join(f'<th class="n">{source.name}</th>' for source in SOURCES)
    rows = "".join(
        f'<tr><td><a href="#{name}">{said(name)}</a></td>'
        + "".join(f'<td class="n">{tally[s.name][name] or "·"}</td>' for s in SOURCES)
        + "</tr>"
        for name, _ in total.most_common()
    )
    return (
        "<section><h2>What was pointed at</h2><div class='wide'><table>"
        f"<tr><th>First reason, findings and reviews together</th>{head}</tr>{rows}</table></div>"
        "</section>"
    )


def _sheet(result: Result) -> str:
    record, name = result.record, result.sheet.name
    note = f"<p>{escape(record.match.note)}</p>" if record.match and record.match.note else ""
    return (
        f'<section id="{name}"><div class="sheet-head"><h2>{_title(result)}</h2>'
        f'<span class="tally">{_tally(result)}</span></div>{note}'
        f'<figure><a href="{result.picture}"><img loading="lazy" src="{result.picture}" '
        f'alt="The sheet with its letters framed: {_tally_words(result)}"></a>'
        f'<figcaption>Unmarked scan: <a href="{result.scan}">{result.scan}</a>. Tables: '
        f'<a href="run/{name}/glyphs.csv">letters</a>, <a href="run/{name}/gaps.csv">whites</a>, '
        f'<a href="run/{name}/page.json">record</a>.</figcaption></figure>'
        f"{_places(result)}{_planted(result)}{_here_not_examined(result)}</section>"
    )


def _tally(result: Result) -> str:
    found, review = _count([result], "finding"), _count([result], "review")
    letters = len(result.record.glyphs)
    return f"<b>{letters}</b> letters, <b>{found}</b> findings, <b>{review}</b> to review"


def _tally_words(result: Result) -> str:
    return _tally(result).replace("<b>", "").replace("</b>", "")


def _places(result: Result) -> str:
    cards = [_card(mark, result.crops[mark.number]) for mark in shown(result.places)]
    if not cards:
        return "<p>No place was marked. That is no approval.</p>"
    more = len(result.places) - len(cards)
    rest = f" The other {more} are in the picture and the tables." if more else ""
    return (
        f"<h3>Look here first</h3><p>Findings before reviews, the surest ones.{rest}</p>"
        f'<ul class="places">{"".join(cards)}</ul>'
    )


def _card(mark: Place, crop: str) -> str:
    finding = mark.route == "finding"
    image = f'<img loading="lazy" src="{crop}" alt="{escape(mark.text)}">'
    if mark.in_name:
        image = f"<details><summary>In a Divine Name: show</summary>{image}</details>"
    number = f"{mark.number}" if finding else f"{mark.number}?"
    classes = f"{mark.route}{' in-name' if mark.in_name else ''}"
    odds = "" if mark.reasons[0] in _WITHOUT_ODDS else f", {mark.p:.0%}"
    return (
        f'<li class="{classes}"><div class="crop">{image}</div><div>'
        f'<span class="no">{number}</span> {escape(mark.text)}<br>'
        f'<span class="at">{escape(mark.where)}{odds}</span></div></li>'
    )


def _planted(result: Result) -> str:
    known = result.planted
    if not known.faults:
        return ""
    return (
        f"<p>The generator put {known.faults} plain faults of form into this sheet; "
        f"{known.pointed_at} of them are pointed at by name. Networks and sheet come from one "
        "generator, so this says nothing of real writing.</p>"
    )


def _here_not_examined(result: Result) -> str:
    here = [line for line in result.record.not_examined if line not in ALWAYS]
    if not here:
        return ""
    rows = "".join(f"<li>{escape(line)}</li>" for line in here)
    return f'<h3>Not examined on this sheet</h3><ul class="plain">{rows}</ul>'


def _glossary(results: list[Result]) -> str:
    used = {name for r in results for mark in r.places for name in mark.reasons}
    rows = "".join(
        f'<dt id="{name}">{said(name)}</dt><dd>{escape(CATALOGUE[name].description)}</dd>'
        for name in CATALOGUE
        if name in used
    )
    if "unfamiliar" in used:
        rows += f'<dt id="unfamiliar">unfamiliar</dt><dd>{escape(UNFAMILIAR)}</dd>'
    return f"<section><h2>What the names mean</h2><dl>{rows}</dl></section>"


def _not_examined() -> str:
    rows = "".join(f"<li>{escape(line)}</li>" for line in ALWAYS)
    return (
        f'<section><h2>Not examined on any sheet</h2><ul class="plain">{rows}</ul></section></main>'
    )


def _foot(results: list[Result]) -> str:
    versions = results[0].record.versions
    seconds = sum(sum(r.record.timing.values()) for r in results)
    network, limits = versions["model"]["version"], versions["thresholds"]["version"]
    return (
        f"<footer><p>Inspected in {seconds:.1f} s. Networks {escape(network)}, thresholds "
        f"{escape(limits)}, customs {escape(versions['customs']['name'])}. All rows: "
        "<code>run/*/glyphs.csv</code>; counts for a spreadsheet: <code>survey.csv</code>."
        "</p></footer>"
    )
