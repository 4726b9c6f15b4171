"""The command that loads the demo."""

import pytest
from django.core.management import call_command
from django.db import connection

from programme.core.models import Site
from programme.worklist.demo_load import SITE_CODE


@pytest.mark.skipif(connection.vendor != "sqlite", reason="the demo is refused elsewhere")
def test_the_command_leaves_a_loaded_unit_alone(tmp_path, settings, db, monkeypatch):
    asked = []
    monkeypatch.setattr("programme.bedside.management.commands.load_demo.load_day", lambda **said: asked.append(said))
    settings.VAR_DIR = tmp_path
    site = Site.objects.create(code=SITE_CODE, name="Saltmarsh Day Unit")
    call_command("load_demo")
    assert asked == []  # it is there already
    assert site.replans.get().finished_at  # and planned as of today, as by night
