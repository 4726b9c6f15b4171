"""Which site a command is about."""

from django.core.management.base import CommandError, CommandParser

from programme.core.models import Site

REFUSED, WRONG_USE = 1, 2


def add_site_argument(parser: CommandParser) -> None:
    parser.add_argument("--site", help="code of the site, needed where there are several")


def site_asked_for(code: str | None) -> Site:
    """Return the site of that code, or the only one there is."""
    sites = Site.objects.order_by("code")
    known = ", ".join(sites.values_list("code", flat=True)) or "none yet"
    if code is not None:
        site = sites.filter(code=code).first()
        if site is None:
            raise CommandError(f"There is no site {code!r}; known are: {known}.", returncode=WRONG_USE)
        return site
    if sites.count() > 1:
        raise CommandError(f"There are several sites; name one with --site: {known}.", returncode=WRONG_USE)
    only = sites.first()
    if only is None:
        raise CommandError("There is no site yet; bring in records or add a site first.", returncode=REFUSED)
    return only
