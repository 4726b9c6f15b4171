"""What the further pages of the review have in common: things counted, with the people behind each."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping
from dataclasses import dataclass

from patients.models import Patient
from programme.core.models import Site


@dataclass(frozen=True, slots=True)
class Who:
    """A person behind a figure, and how often; words: what else is to be said of them."""

    patient_ref: str
    name: str
    count: int = 1
    words: str = ""


@dataclass(frozen=True, slots=True)
class Counted:
    """One thing that was counted, with who stands behind it."""

    words: str
    count: int
    people: tuple[Who, ...]


def names_of(site: Site, *, genotype: str = "") -> dict[int, Who]:
    """Return everybody of the site by key, on the programme or not; one query."""
    people = Patient.objects.of_site(site)
    people = people.filter(genotype=genotype) if genotype else people
    return {one.pk: Who(one.patient_ref, one.shown_name) for one in people}


def those(counts: Mapping[int, int], names: Mapping[int, Who]) -> tuple[Who, ...]:
    """Return the people of `counts`, most first."""
    found = [Who(names[pk].patient_ref, names[pk].name, many) for pk, many in counts.items() if pk in names and many]
    return tuple(sorted(found, key=lambda who: (-who.count, who.name)))


def grouped(said: Iterable[tuple[int, str]], names: Mapping[int, Who]) -> tuple[Counted, ...]:
    """Put together (person, words) in the same words, whatever their case and spaces; most often first."""
    words: dict[str, str] = {}
    people: dict[str, Counter[int]] = defaultdict(Counter)
    for pk, text in said:
        if pk not in names:
            continue
        plain = " ".join(text.split()).rstrip(".")
        key = plain.casefold()
        words.setdefault(key, plain or "no reason given")
        people[key][pk] += 1
    found = [Counted(words[key], counts.total(), those(counts, names)) for key, counts in people.items()]
    return tuple(sorted(found, key=lambda one: (-one.count, one.words)))
