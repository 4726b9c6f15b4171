"""Settings come from the environment only; each bad or unsafe value is refused with its sentence."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[3]
GOOD_SECRET = "a-long-enough-secret-for-tests-" + "x" * 40


SAID = "import programme.settings as s; print(s.DATABASES['default']['ENGINE'], s.SECURE_SSL_REDIRECT)"


def start(tmp_path, code=SAID, **environment):
    """Import the settings in a process of its own; return its exit status and what it said."""
    kept = {"PATH": os.environ["PATH"], "SECRET_KEY": GOOD_SECRET, "EBBLINE_VAR": str(tmp_path)}
    wanted = {name: value for name, value in {**kept, **environment}.items() if value is not None}
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, env=wanted, capture_output=True, text=True)
    return done.returncode, done.stdout.strip(), done.stderr.strip().splitlines()[-1:] or [""]


@pytest.mark.parametrize(
    ("variable", "value", "sentence"),
    [
        ("DEBUG", "yes", "DEBUG='yes' is not understood; write True or False."),
        ("TRUSTED_PROXY_TLS", "1", "TRUSTED_PROXY_TLS='1' is not understood; write True or False."),
        ("SECRET_KEY", None, "SECRET_KEY is not set and there is no stored key."),
        ("SECRET_KEY", "", "SECRET_KEY is not set and there is no stored key."),
        ("SECRET_KEY", "short", "SECRET_KEY has 5 characters; at least 50 random ones are needed."),
        ("ALLOWED_HOSTS", "*", "'*' is not accepted."),
        ("ALLOWED_HOSTS", " , ", "ALLOWED_HOSTS must name each host"),
        (
            "DATABASE_URL",
            "mysql://user@host/name",
            "DATABASE_URL: An address of a database must start with sqlite:/// or",
        ),
        ("DATABASE_URL", "nonsense", "DATABASE_URL"),
        ("REDIS_URL", "http://127.0.0.1/", "REDIS_URL must start with redis://"),
        ("BACKUP_FOLDER", "kept", "BACKUP_FOLDER='kept' must be a whole path, beginning with /."),
        ("BACKUP_FOLDER", "/srv/kept", "BACKUP_FOLDER and BACKUP_KEY_FILE go together: set both, or neither."),
        ("METRICS_TOKEN", "short", "METRICS_TOKEN has 5 characters; at least 32 random ones are needed."),
        ("PROMETHEUS_MULTIPROC_DIR", "/nowhere/at/all", "PROMETHEUS_MULTIPROC_DIR: /nowhere/at/all is no folder"),
        ("LOG_FORMAT", "xml", "LOG_FORMAT='xml' is not understood; write text or json."),
        ("BACKUP_KEEP_DAYS", "0", "BACKUP_KEEP_DAYS='0' is not understood; write a whole number of at least 1."),
    ],
)
def test_a_bad_value_is_refused_with_its_sentence(tmp_path, variable, value, sentence):
    code, _, (last,) = start(tmp_path, **{variable: value})
    assert code == 1
    assert "ImproperlyConfigured" in last
    assert sentence in last


@pytest.mark.parametrize(
    ("hosts", "wanted", "used"),
    [("ebbline.example", None, "json"), ("localhost", None, "text"), ("localhost", "json", "json")],
)
def test_where_others_reach_it_the_log_is_without_patient_data(tmp_path, hosts, wanted, used):
    code = "import programme.settings as s; print(s.LOGGING['handlers']['stderr']['formatter'])"
    assert start(tmp_path, code, ALLOWED_HOSTS=hosts, LOG_FORMAT=wanted)[:2] == (0, used)


def test_debug_is_refused_where_others_can_reach_it(tmp_path):
    code, _, (last,) = start(tmp_path, DEBUG="True", ALLOWED_HOSTS="ebbline.example")
    assert code == 1
    assert "accepted only when every host is this machine" in last


def test_the_key_made_at_setup_is_used(tmp_path):
    (tmp_path / "secret_key").write_text(GOOD_SECRET + "\n")
    code, said, _ = start(tmp_path, SECRET_KEY=None)
    assert (code, said) == (0, "django.db.backends.sqlite3 False")


def test_production_goes_over_tls_to_postgresql(tmp_path):
    code, said, _ = start(tmp_path, ALLOWED_HOSTS="ebbline.example", DATABASE_URL="postgres://ebb@db.example/ebb")
    assert (code, said) == (0, "django.db.backends.postgresql True")
