"""Compare the forms of the drift model by forecasts of what came next, on the site's own past or in a made-up world.

Exit status: 0 done, 1 refused, 2 wrong use.
"""

from __future__ import annotations

import json
from datetime import date
from typing import Any
from zoneinfo import ZoneInfo

from django.core.exceptions import ValidationError
from django.core.management.base import BaseCommand, CommandError, CommandParser
from django.utils import timezone

from programme.core import access
from programme.core.management.sites import add_site_argument, site_asked_for
from programme.core.models import Site, User
from sessions import services
from sessions.numeric.backtest import run_made_up_backtest
from sessions.numeric.mechanisms.made_up import WORLDS

COLUMNS = (
    ("forecasts", "attended", "n", "{:d}"),
    ("CRPS", "attended", "crps", "{:.3f}"),
    ("bias", "attended", "bias", "{:+.2f}"),
    ("in 50", "attended", "inside_50", "{:.2f}"),
    ("in 80", "attended", "inside_80", "{:.2f}"),
    ("in 90", "attended", "inside_90", "{:.2f}"),
    ("over p90", "attended", "above_p90", "{:.2f}"),
    ("width 80", "attended", "width_80", "{:.1f}"),
    ("error usual", "routine", "mean_abs_error", "{:.2f}"),
    ("error longer", "longer", "mean_abs_error", "{:.2f}"),
    ("bias longer", "longer", "bias", "{:+.2f}"),
)
BY_GAPS = (("CRPS 1–3", "gaps_1_3"), ("CRPS 4–9", "gaps_4_9"), ("CRPS ≥10", "gaps_10_up"))


class Command(BaseCommand):
    help = "Compares the forms of the drift model and stores the result; with --accept, puts a form in use."

    def add_arguments(self, parser: CommandParser) -> None:
        add_site_argument(parser)
        parser.add_argument("--as-of", type=date.fromisoformat, metavar="DATE", help="use what was known on this day")
        parser.add_argument("--made-up", choices=sorted(WORLDS), help="in this made-up world, beside an oracle")
        parser.add_argument("--people", type=int, default=200, help="how many made-up people (200)")
        parser.add_argument("--seed", type=int, default=1, help="of the made-up world (1)")
        parser.add_argument("--accept", metavar="FORM", help="put this form in use from the next fit on")
        parser.add_argument("--reason", default="", help="why the form is accepted")
        parser.add_argument("--by", metavar="NAME", help="sign-in name of who accepts it")
        parser.add_argument("--format", choices=["table", "json"], default="table")

    def handle(self, *args: Any, **options: Any) -> None:
        if options["made_up"]:
            if not 2 <= options["people"] <= 100_000:
                raise CommandError(f"--people is {options['people']}; allowed is 2 to 100000.")
            found = run_made_up_backtest(options["made_up"], n_people=options["people"], seed=options["seed"])
            self._print(found.to_dict(), options)
            return
        site = site_asked_for(options["site"])
        if options["accept"]:
            self._accept(site, options)
            return
        at = timezone.now()
        as_of = options["as_of"] or at.astimezone(ZoneInfo(site.time_zone)).date()
        self._print(services.compare_forms(site=site, as_of=as_of, at=at).result, options)

    def _accept(self, site: Site, options: dict[str, Any]) -> None:
        actor = None
        if options["by"] is not None:
            actor = User.objects.filter(username=options["by"], site=site).first()
            if actor is None:
                raise CommandError(f"Nobody signs in as {options['by']!r} at {site.name}.")
            if not access.may(actor, "change.settings"):
                raise CommandError(f"Nothing is changed: a form is accepted by a consultant, not by {actor}.")
        try:
            services.accept_form(
                site=site, form=options["accept"], reason=options["reason"], actor=actor, at=timezone.now()
            )
        except ValidationError as error:
            raise CommandError(" ".join(error.messages)) from error
        self.stderr.write(f"{site.name}: {options['accept']} is in use from the next fit on.")

    def _print(self, result: dict[str, Any], options: dict[str, Any]) -> None:
        if options["format"] == "json":
            self.stdout.write(json.dumps(result, allow_nan=False))
            return
        self.stdout.write("\n".join(table(result)))


def table(result: dict[str, Any]) -> list[str]:
    """Return the result as lines to read: a row for each form, best first, then the advice."""
    heads = [head for head, *_ in COLUMNS] + [head for head, _ in BY_GAPS]
    lines = [f"{'form':<12}" + "".join(f"{head:>13}" for head in heads)]
    forms = sorted(result["results"].items(), key=lambda pair: pair[1]["attended"]["crps"] or float("inf"))
    for name, said in forms:
        cells = [_cell(said[kind][figure], shape) for _, kind, figure, shape in COLUMNS]
        cells += [_cell(said["groups"][group]["crps"], "{:.3f}") for _, group in BY_GAPS]
        lines.append(f"{name:<12}" + "".join(f"{cell:>13}" for cell in cells))
    people = f"{result['n_forecasts']} forecasts for {result['n_people']} people, {result['n_left_out']} gaps left out."
    return [*lines, people, f"In use: {result['form_in_use']}. Advised: {result['advised']}. {result['reason']}"]


def _cell(value: float | None, shape: str) -> str:
    return "–" if value is None else shape.format(value)
