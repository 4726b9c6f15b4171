"""Which site a command is about: the same question, asked and refused in one way by all of them."""

from __future__ import annotations

from django.core.management.base import CommandError, CommandParser

from programme.core.models import Site

REFUSED, WRONG_USE = 1, 2


def add_site_argument(parser: CommandParser, otherwise: str = "needed where there are several") -> None:
    parser.add_argument("--site", metavar="CODE", help=f"code of the site; {otherwise}")


def sites_asked_for(code: str | None) -> list[Site]:
    """Return the site of that code, or every site where none is named."""
    sites = list(Site.objects.order_by("code"))
    named = [site for site in sites if code in (None, site.code)]
    if code is not None and not named:
        raise CommandError(f"There is no site {code!r}; known are: {_codes(sites)}.", returncode=WRONG_USE)
    return named


def site_asked_for(code: str | None) -> Site:
    """Return the site of that code, or the only one there is."""
    sites = sites_asked_for(code)
    if not sites:
        raise CommandError("There is no site yet; bring in records or add a site first.", returncode=REFUSED)
    if len(sites) > 1:
        raise CommandError(f"There are several sites; name one with --site: {_codes(sites)}.", returncode=WRONG_USE)
    return sites[0]


def _codes(sites: list[Site]) -> str:
    return ", ".join(site.code for site in sites) or "none yet"
