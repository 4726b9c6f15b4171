"""The demo's arrivals: some results that filed themselves, and some that wait for a person, each for another reason.

Brought in as a file, by the same path as everything else that arrives. All of it is invented.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from patients.models import Patient, Standing
from programme.core.models import Site
from programme.intake.services.files import import_file

HEADER = "patient_ref,birth_date,code,value,unit,taken_at,result_id,status,source"
LABORATORY = "Tidewater Laboratory"
PEOPLE = 10


def load_arrivals(*, site: Site, at: datetime, but: tuple[str, ...]) -> None:
    """Let results of this morning arrive for people other than `but`; `at` is the present, local to the site."""
    people = list(
        Patient.objects.of_site(site)
        .filter(standing=Standing.ACTIVE, birth_date__isnull=False, forecast__isnull=False)
        .exclude(patient_ref__in=but)
        .order_by("patient_ref")[:PEOPLE]
    )
    if len(people) < PEOPLE:
        raise ValueError(f"The demo needs {PEOPLE} people with birth dates; there are {len(people)}.")
    taken = (at - timedelta(minutes=80)).isoformat(timespec="seconds")
    early, late = _morning(people, taken), _later(people, taken)
    import_file(site=site, body=_file(early), at=at - timedelta(minutes=40))
    import_file(site=site, body=_file(late), at=at - timedelta(minutes=12))


def _morning(people: list[Patient], taken: str) -> list[str]:
    a, b, c, d, e, f, g, *_ = people
    ferritin = [_row(one, "2276-4", value, "ug/L", taken, f"T-77{n}")
                for n, (one, value) in enumerate([(e, "1480"), (f, "620"), (g, "910")])]  # fmt: skip
    return [
        *ferritin,
        _row(a, "4625-0", "31.2", "%", taken, "T-801", born=b.birth_date),  # the birth date of somebody else
        _row(c, "718-7", "9.4", "", taken, "T-802"),  # no unit
        _row(d, "4625-0", "3.1", "%", taken, "T-803"),  # the wrong person in the tube
        _row(e, "4576-5", "<1", "%", taken, "T-804"),  # a limit
    ]


def _later(people: list[Patient], taken: str) -> list[str]:
    h, i, j = people[7:10]
    return [
        _row(h, "SICKLE-SCR", "31", "%", taken, "T-811"),  # a code that nobody agreed
        _row(i, "4625-0", "0.29", "%", taken, "T-812"),  # a share in place of percent
        _row(people[5], "2276-4", "", "ug/L", taken, "T-771", status="withdrawn"),
        _row(j, "2276-4", "2210", "ug/L", taken, "T-813"),
    ]


def _row(
    who: Patient, code: str, value: str, unit: str, taken: str, result_id: str, *, status: str = "final",
    born: object = None,
) -> str:  # fmt: skip
    return f"{who.patient_ref},{born or who.birth_date},{code},{value},{unit},{taken},{result_id},{status},{LABORATORY}"


def _file(rows: list[str]) -> bytes:
    return "\n".join([HEADER, *rows, ""]).encode()
