"""The records as text for the screen."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import datetime, timedelta, timezone
from typing import Any

from knurlsight.records.chain import Entry
from knurlsight.records.corrections import Current, as_corrected
from knurlsight.records.facts import JobFacts
from knurlsight.records.history import Step, steps
from knurlsight.records.read import Job, Jobs, job_of
from knurlsight.records.search import Found
from knurlsight.records.statistics import Statistics
from knurlsight.records.verify import Verification
from knurlsight.reporting.figures import Units, measured

VERDICT_WORDS = {"pass": "pass", "fail": "FAIL", "cannot_tell": "cannot tell", "": "measured"}
WIDTH = 110


def job_screen(written: Sequence[Entry], units: Units = "mm") -> str:
    """A job: what it is about, then its history, and between inspections what was changed and what it did."""
    job = job_of(written)
    lines = [f"job {job.number}", *(f"  {name}: {value}" for name, value in _facts(job.facts)), ""]
    done = {step.number: step for step in steps(written)}
    corrections = {e.number: e for e in written if e.kind == "correction"}
    for current in as_corrected(written):
        if current.entry.number in done:
            lines += _step_lines(done[current.entry.number], units)
        lines += _entry_lines(current, corrections)
    lines += ["", f"head: {written[-1].hash}"]
    return "\n".join(lines)


def jobs_screen(found: Jobs) -> str:
    """The jobs, one a line."""
    if not found.jobs:
        return "no job yet"
    rows = [("job", "part", "customer", "due", "inspections", "last entry (UTC)")]
    for job in found.jobs:
        if job.damaged:
            rows.append((job.number, f"DAMAGED: job verify {job.number}", "", "", "", ""))
            continue
        facts = job.facts
        due = facts.due.isoformat() if facts.due is not None else ""
        rows.append(
            (
                job.number,
                _cut(facts.part),
                _cut(facts.customer),
                due,
                _verdicts(job),
                job.last_at[:16].replace("T", " "),
            )
        )
    more = found.total - len(found.jobs)
    return "\n".join([*_columns(rows), *([f"and {more} more; --limit {found.total} lists all"] if more else [])])


def found_screen(found: Found) -> str:
    """Entries that were found, one a line, the newest first."""
    if not found.lines:
        return "nothing found"
    rows = [
        (
            line.job,
            str(line.number),
            line.at[:16].replace("T", " "),
            line.op,
            _kind_words(line.kind, line.verdict),
            _cut(line.words, 72),
        )
        for line in found.lines
    ]
    table = _columns([("job", "entry", "when (UTC)", "op", "what", ""), *rows])
    more = found.total - len(found.lines)
    return "\n".join([*table, *([f"and {more} older; --limit {found.total} lists all"] if more else [])])


def statistics_screen(counted: Statistics) -> str:
    """Counts over a store."""
    lines = [
        f"{counted.jobs} jobs, {counted.wheels} wheels, {counted.entries} entries",
        "inspections: " + (_counts(counted.verdicts) or "none"),
    ]
    if counted.decisions:
        lines.append("decisions: " + _counts(counted.decisions))
    if counted.faults:
        lines += ["faults and failed limits, by number of inspections:"]
        lines += [f"  {n:6d}  {fault.replace('_', ' ')}" for fault, n in counted.faults[:15]]
    lines.append(f"{counted.photos} photos, {_size(counted.photo_bytes)}")
    if counted.database_bytes is not None:
        lines.append(f"database {_size(counted.database_bytes)}")
    return "\n".join(lines)


def verification_screen(seen: Verification) -> str:
    """What was held against the hashes, and each fault; the head where one job was verified."""
    lines = [f"{seen.jobs} jobs, {seen.entries} entries, {seen.photos} photos held against their hashes"]
    lines += [f"WRONG  {fault}" for fault in seen.faults]
    lines += [f"note: {remark}" for remark in seen.remarks]
    lines.append("all is as it was written" if not seen.faults else f"{len(seen.faults)} wrong")
    if len(seen.heads) == 1:
        lines.append(f"head of job {seen.heads[0][0]}: {seen.heads[0][1]}")
    return "\n".join(lines)


def wheel_screen(written: Sequence[Entry], used: Found) -> str:
    """A wheel: what was measured of it over time, and the inspections of what it rolled."""
    lines = [f"wheel {written[0].book.name}"]
    for current in as_corrected(written):
        mark = "withdrawn: " if current.withdrawn else ""
        facts = ", ".join(
            f"{_name(key)} {value}" + (" mm" if key.endswith("_mm") else "")
            for key, value in current.entry.body.items()
        )
        lines.append(f"  {current.entry.number:3d}  {_when(current.entry)}  {current.entry.who}  {mark}{facts}")
    lines += ["", f"{used.total} inspections with this wheel" + (", the newest first:" if used.lines else "")]
    return "\n".join([*lines, *([found_screen(used)] if used.lines else [])])


def _entry_lines(current: Current, corrections: dict[int, Entry]) -> list[str]:
    entry = current.entry
    op = f"op {entry.op}  " if entry.op else ""
    what = _kind_words(entry.kind, entry.verdict)
    head = f"{entry.number:4d}  {_when(entry)}  {entry.who}  {op}"
    about = f"about entry {entry.body['about']}: " if entry.body.get("about") else ""
    text = entry.body["text"] if entry.kind == "note" else entry.words
    if entry.kind == "disposition" and (why := entry.body.get("why")):
        text = why
    if entry.kind == "operation":  # its words name it, as `find` shows them
        what, text = text, _setup_words(entry.body.get("setup"))
    if current.withdrawn:
        about = "WITHDRAWN, does not count: " + about
    said = about + text.replace("\n", " / ")
    lines = _wrapped(head + what + (f": {said}" if said else ""))
    if entry.kind == "inspection":
        lines += _wrapped("      " + ", ".join(_bench_words(entry))) if entry.body["bench"] else []
        lines += _wrapped(f"      note: {entry.body['note']}") if entry.body["note"] else []
        names = [p["name"] for p in entry.body["photos"] if p["role"] == "photo"]
        lines += _wrapped(f"      photo: {', '.join(names)}")
    for number in current.corrected_by:
        change = corrections[number]
        lines += _wrapped(f"      corrected by entry {number}, {change.who}: {change.words}")
    for number, change in corrections.items():
        if current.withdrawn and change.body["withdrawn"] and change.body["about"] == entry.number:
            lines += _wrapped(f"      by entry {number}, {change.who}: {change.body['why']}")
    return lines


def _step_lines(step: Step, units: Units) -> list[str]:
    """What was changed since the inspection before, and what it did."""
    changed = [f"{s.name} {s.was or 'not stated'} → {s.now or 'not stated'}" for s in step.settings]
    lines = [f"        since entry {step.before}: " + ("; ".join(changed) if changed else "no setting was changed")]
    what = [f"{e.name} {measured(e.was, units)} → {measured(e.now, units)}" for e in step.effects]
    if step.compared == 0:
        did = "no figure to compare"
    elif what:
        did = "; ".join(what)
    else:
        did = f"none of {step.compared} figures changed by more than its uncertainty"
    was, now = (VERDICT_WORDS.get(v, v) for v in step.verdicts)
    if was != now:
        did += f"; {was} → {now}"
    return [line for text in (*lines, f"        then: {did}") for line in _wrapped(text, indent=10)]


def _bench_words(entry: Entry) -> list[str]:
    words = []
    for key, value in entry.body["bench"].items():
        if isinstance(value, dict):
            words.append(", ".join(f"wheel {label} had rolled {n}" for label, n in value.items()))
        else:
            unit = " mm" if key.endswith("_mm") else ""
            values = ", ".join(map(str, value)) if isinstance(value, list) else str(value)
            words.append(f"{_name(key)} {values}{unit}")
    return words


def _setup_words(kept: dict[str, Any] | None) -> str:
    """The setup that an operation keeps, by its name or by what it wants."""
    if not kept:
        return ""
    from knurlsight.errors import SetupError
    from knurlsight.setup_math.setup import setup_from_document
    from knurlsight.setup_math.setup_model import setup_title

    try:
        return f"setup {setup_title(setup_from_document(kept['content']))}"
    except (SetupError, KeyError):
        return "setup that cannot be read any more"


def _kind_words(kind: str, verdict: str) -> str:
    if kind == "inspection":
        return VERDICT_WORDS.get(verdict, verdict)
    return verdict if kind == "disposition" else kind


def _facts(facts: JobFacts) -> list[tuple[str, str]]:
    return [(_name(key), str(value)) for key, value in facts.stated().items()]


def _name(key: str) -> str:
    return key.removesuffix("_mm").replace("_", " ")


def _verdicts(job: Job) -> str:
    return _counts(job.verdicts) or "none"


def _counts(counts: Sequence[tuple[str, int]]) -> str:
    order = ["fail", "cannot_tell", "pass", ""]
    ranked = sorted(counts, key=lambda c: order.index(c[0]) if c[0] in order else len(order))
    return ", ".join(f"{n} {VERDICT_WORDS.get(verdict, verdict)}" for verdict, n in ranked)


def _when(entry: Entry) -> str:
    """The time on the wall where it was written."""
    try:
        at = datetime.fromisoformat(entry.at)
        hours, minutes = int(entry.zone[:3]), int(entry.zone[4:6])
        zone = timezone(timedelta(hours=hours, minutes=minutes if hours >= 0 else -minutes))
        return f"{at.astimezone(zone):%Y-%m-%d %H:%M}"
    except ValueError:
        return f"{entry.at[:16].replace('T', ' ')} UTC"


def _size(count: int) -> str:
    return f"{count / 1e6:.1f} MB" if count < 1e9 else f"{count / 1e9:.2f} GB"


def _cut(text: str | None, most: int = 24) -> str:
    return "" if text is None else text if len(text) <= most else text[: most - 1] + "…"


def _columns(rows: Sequence[Sequence[str]]) -> list[str]:
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    return ["  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows]


def _wrapped(text: str, indent: int = 6) -> list[str]:
    first = text[: len(text) - len(text.lstrip())]
    return textwrap.wrap(text.strip(), WIDTH, initial_indent=first, subsequent_indent=" " * indent) or [""]
