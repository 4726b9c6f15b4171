# Two commands matter: `make demo` shows the programme, `make test` runs every test. `make help` lists the rest.

PYTHON = python3
PORT = 8000
# Of `make bench`: share of the full size, and the names of some benches, all by default.
SCALE = 1
BENCH =
PY = .venv/bin/python
MANAGE = $(PY) manage.py
# Where the secret key, the collected files and the sign-ins of the demo lie, as in programme/settings.py.
VAR = $(or $(EBBLINE_VAR),var)

RUN_PACKAGES = python3-venv libpango-1.0-0 libpangoft2-1.0-0 libharfbuzz-subset0 fonts-dejavu-core
RUN_PACKAGES += fonts-crosextra-caladea fonts-crosextra-carlito
# Ubuntu's package has another name, and brings the browser as a snap.
BROWSER = $(shell grep -q '^ID=ubuntu' /etc/os-release && echo chromium-browser || echo chromium)
TEST_PACKAGES = postgresql redis-server poppler-utils procps $(BROWSER)

# Settings as in production, so that what is only unsafe there shows here.
LIKE_PRODUCTION = ALLOWED_HOSTS=ebbline.example DEBUG=False TRUSTED_PROXY_TLS=True

.PHONY: help setup packages test-packages demo-data demo test soak bench hazards pictures
.PHONY: check check-style check-types check-templates check-layers check-migrations check-pins check-deployment

help:
	@echo 'make demo      set everything up, load the invented unit and serve it on PORT ($(PORT))'
	@echo 'make test      run every check and test, and print what each layer took'
	@echo 'make setup     make .venv with everything pinned, and the secret key'
	@echo 'make check     style, types, layers, templates, migrations, deployment'
	@echo 'make soak      the long tests: thousands of cases'
	@echo 'make bench     speed, as ratios to a plain reference on the same machine; SCALE=0.1 takes minutes'
	@echo 'make hazards   run the tests of every control, and print the hazard log'
	@echo 'make pictures  photograph the demo for the README'

# $(1): Debian packages that must be there. Root installs what is missing; others are told the one line to run.
define need_packages
@missing=''; \
for package in $(1); do \
	dpkg-query -W -f '$${Status}' "$$package" 2>/dev/null | grep -q 'ok installed' || missing="$$missing $$package"; \
done; \
if [ -n "$$missing" ]; then \
	echo "These Debian packages are missing:$$missing"; \
	if [ "$$(id -u)" = 0 ]; then \
		apt-get update && DEBIAN_FRONTEND=noninteractive apt-get install -y --no-install-recommends $$missing; \
	else \
		echo 'Run this line, then make again:'; \
		echo "  sudo apt-get update && sudo apt-get install -y$$missing"; \
		exit 1; \
	fi; \
fi
endef

packages:
	$(call need_packages,$(RUN_PACKAGES))

test-packages:
	$(call need_packages,$(RUN_PACKAGES) $(TEST_PACKAGES))

setup: packages .venv/ready $(VAR)/secret_key

.venv/ready: pyproject.toml constraints.txt | packages
	@$(PYTHON) -c 'import sys; sys.exit(sys.version_info < (3, 11) and "Python 3.11 or newer is needed; name it with PYTHON=…")'
	@test -x $(PY) || $(PYTHON) -m venv .venv
	@$(PY) -m pip install --quiet --disable-pip-version-check uv
	@.venv/bin/uv pip install --quiet --python $(PY) -c constraints.txt -e '.[dev]'
	@touch $@

$(VAR)/secret_key: | .venv/ready
	@mkdir -p $(VAR) && chmod 700 $(VAR)
	@umask 077 && $(PY) -c 'import secrets; print(secrets.token_urlsafe(64))' > $@

# The rows of the demo and the files it serves. Collected again only when a file that is served is newer than the last time.
demo-data: setup
	@$(MANAGE) migrate --verbosity 0
	@if [ ! -e $(VAR)/static/collected ] || \
		[ -n "$$(find programme -path '*/static/*' -newer $(VAR)/static/collected; find .venv/ready programme/settings.py -newer $(VAR)/static/collected)" ]; then \
		$(MANAGE) collectstatic --noinput --clear --verbosity 0 && touch $(VAR)/static/collected; \
	fi
	@$(MANAGE) load_demo

demo: demo-data
	@echo
	@echo 'Ebbline with an invented unit: http://127.0.0.1:$(PORT)/'
	@echo 'Sign in as:'
	@cat $(VAR)/demo_sign_ins.txt
	@echo 'End with Ctrl-C. What you enter is kept; make demo again goes on from there.'
	@exec .venv/bin/granian --interface wsgi --host 127.0.0.1 --port $(PORT) --workers 1 --blocking-threads 4 \
		--no-ws --log-level warning programme.wsgi:application

# `make -k check` goes on after a fault and names them all.
check: check-style check-types check-templates check-layers check-migrations check-pins check-deployment

check-style: setup
	.venv/bin/ruff check --output-format concise .
	.venv/bin/ruff format --check --quiet .

check-types: setup
	.venv/bin/mypy programme patients sessions

check-templates: setup
	.venv/bin/djlint --quiet --lint templates

check-layers: setup
	.venv/bin/lint-imports

check-migrations: setup
	$(MANAGE) makemigrations --check --dry-run

check-pins:
	@if grep -nE '://|@' constraints.txt; then echo 'constraints.txt: only name==version is allowed'; exit 1; fi

check-deployment: setup
	$(LIKE_PRODUCTION) $(MANAGE) check --deploy --fail-level WARNING

test: test-packages setup
	@$(PY) -m tests.layers

soak: test-packages setup
	@$(PY) -m tests.servers postgres redis -- $(PY) -m pytest -q -n 2 -m soak

bench: test-packages setup
	@$(PY) -m tests.bench --scale $(SCALE) $(BENCH)

# The document goes to HAZARDS, what the tests print to the screen.
hazards: test-packages setup
	@$(PY) -m tests.hazards $(HAZARDS)

pictures: test-packages demo-data
	@$(PY) -m tests.pictures
