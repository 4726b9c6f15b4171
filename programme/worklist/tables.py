"""The tables of these pages: columns and their heads. Rows are frozen values, printed by an own template."""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import date

import django_tables2 as tables
from django.template.loader import render_to_string
from django.utils.safestring import mark_safe

from programme.core import access
from programme.core.tables import safe
from programme.worklist.charts.small import SmallHead, SmallPicture, draw_head, draw_small
from programme.worklist.queries.everyone import ListPage, Row
from programme.worklist.queries.trail import TrailPage

ROWS_HERE = "<!-- rows -->"


@dataclass(frozen=True, slots=True)
class ListLine:
    """A row of the list with its number and its picture (None in the table without pictures)."""

    number: int
    row: Row
    picture: SmallPicture | None


def list_lines(rows: Iterable[Row], *, first_number: int, pictures: bool = True) -> list[ListLine]:
    """Number the rows and draw their pictures."""
    numbered = enumerate(rows, start=first_number)
    return [ListLine(number, row, draw_small(row.course) if pictures else None) for number, row in numbered]


class CourseColumn(tables.Column):
    """The head of the picture column is the months bar that all rows share."""

    def __init__(self, head: SmallHead | None = None) -> None:
        super().__init__(attrs={"th": {"class": "pic"}})
        self.head = head

    @property
    def header(self) -> str:
        return render_to_string("worklist/_list_months.html", {"head": self.head})


class ListTable(tables.Table):
    """Columns of the list; the rows of one band are printed by the own template over `row.record`."""

    number = tables.Column(verbose_name=mark_safe('<span class="vh">Order</span>'), attrs={"th": {"class": "k"}})
    name = tables.Column(verbose_name="Name", attrs={"th": {"class": "nm"}})
    need = tables.Column(verbose_name="What it needs", attrs={"th": {"class": "need"}})
    course = CourseColumn()
    before = tables.Column(verbose_name=mark_safe("HbS %<br>before"), attrs={"th": {"class": "r pre"}})
    days_since = tables.Column(verbose_name=mark_safe("Days<br>since"), attrs={"th": {"class": "r ds"}})
    chance = tables.Column(verbose_name=mark_safe("Chance over<br>ceiling"), attrs={"th": {"class": "r ch"}})
    window = tables.Column(verbose_name=mark_safe("Suggested<br>days"), attrs={"th": {"class": "wn"}})
    booked = tables.Column(verbose_name="Booked", attrs={"th": {"class": "bk"}})

    may_run = False

    class Meta:
        template_name = "worklist/_list_rows.html"
        orderable = False


def head_table(today: date) -> ListTable:
    """Return the list without rows, for its head."""
    return ListTable([], extra_columns=[("course", CourseColumn(draw_head(today.toordinal())))])


def list_chunks(page: ListPage, shell: str, request: access.SignedIn, *, pictures: bool = True) -> Iterator[str]:
    """Yield the page in pieces, band by band, so that the first can be used before later pictures are drawn.

    shell: the page around the bands, with ROWS_HERE where they belong.
    """
    before, after = shell.split(ROWS_HERE)
    yield before
    for band in page.bands:
        lines = list_lines(band.rows, first_number=band.first_number, pictures=pictures)
        table = ListTable(lines)
        table.may_run = access.may(request.user, "see.run")
        rows = table.as_html(request) if lines else ""
        yield render_to_string("worklist/_list_band.html", {"band": band, "rows": rows})
    yield after


def trail_csv(page: TrailPage) -> str:
    """Return the entries as a file, one line a changed field, each value whole; looks and bare acts have one line."""
    out = io.StringIO()
    rows = csv.writer(out, lineterminator="\r\n")
    rows.writerow(
        ("entry", "chain_number", "at", "who", "role", "did", "person", "what", "field", "was", "is", "why", "hash")
    )
    for line in page.lines:
        for part in line.parts or (("", "", ""),):
            cells = (line.who, line.role, line.did, line.patient_ref, line.what, *part, line.why, line.end)
            rows.writerow((line.key, line.number, line.at.isoformat(timespec="seconds"), *map(safe, cells)))
    return out.getvalue()
