"""Every allowed and every forbidden move of a session, by state, role, version and reason.

The allowed moves are written out here a second time, by hand, so that a change of the table shows.
"""

import pytest
from django.core.exceptions import PermissionDenied, ValidationError

from programme.core.models import EditedMeanwhile, TrailEntry
from sessions.day.numeric.states import MOVES, STATES
from sessions.day.services.moves import move
from sessions.models import ExchangeSession
from tests.factories import NOW, TODAY, make_exchange_session, make_patient, make_user

pytestmark = pytest.mark.django_db

ALLOWED = {
    ("planned", "authorise"): "authorised",
    ("authorised", "lapse"): "planned",
    ("authorised", "start"): "running",
    ("running", "finish"): "finished",
    ("finished", "close"): "closed",
    ("closed", "reopen"): "finished",
    ("planned", "cancel"): "cancelled",
    ("authorised", "cancel"): "cancelled",
    ("running", "abandon"): "abandoned",
    ("finished", "abandon"): "abandoned",
}
MAY = {
    "authorise": {"consultant"},
    "lapse": {"nurse", "consultant"},
    "start": {"nurse", "consultant"},
    "finish": {"nurse", "consultant"},
    "close": {"nurse", "consultant"},
    "reopen": {"consultant"},
    "cancel": {"nurse", "consultant"},
    "abandon": {"nurse", "consultant"},
}


def in_state(state: str) -> ExchangeSession:
    reason = "line failed" if state in ("cancelled", "abandoned") else ""
    return make_exchange_session(make_patient(), on=TODAY, state=state, origin="here", ended_reason=reason)


@pytest.mark.parametrize("state", STATES)
@pytest.mark.parametrize("name", sorted(MOVES))
def test_a_move_is_made_from_its_own_states_and_from_no_other(state: str, name: str) -> None:
    exchange_session = in_state(state)
    consultant = make_user(role="consultant", site=exchange_session.patient.site)
    target = ALLOWED.get((state, name))
    if target is not None:
        move(exchange_session=exchange_session, name=name, version=1, actor=consultant, at=NOW, reason="as seen")
        stored = ExchangeSession.objects.get(pk=exchange_session.pk)
        assert (stored.state, stored.version) == (target, 2)
        entry = TrailEntry.objects.filter(patient_key=stored.patient_id).latest("number")
        assert (entry.action, entry.why, entry.actor) == (f"{name} session", "as seen", consultant)
        assert (entry.before["state"], entry.after["state"]) == (state, target)
    else:
        with pytest.raises(ValidationError, match=f"A session that is {state} cannot be"):
            move(exchange_session=exchange_session, name=name, version=1, actor=consultant, at=NOW, reason="as seen")
        assert ExchangeSession.objects.get(pk=exchange_session.pk).state == state


@pytest.mark.parametrize("role", ["nurse", "consultant", "coordinator"])
@pytest.mark.parametrize(("state", "name"), sorted(ALLOWED))
def test_only_the_roles_of_the_matrix_make_a_move(role: str, state: str, name: str) -> None:
    exchange_session = in_state(state)
    user = make_user(role=role, site=exchange_session.patient.site)
    if role in MAY[name]:
        move(exchange_session=exchange_session, name=name, version=1, actor=user, at=NOW, reason="as seen")
        assert exchange_session.state == ALLOWED[state, name]
    else:
        with pytest.raises(PermissionDenied):
            move(exchange_session=exchange_session, name=name, version=1, actor=user, at=NOW, reason="as seen")
        assert ExchangeSession.objects.get(pk=exchange_session.pk).state == state


@pytest.mark.parametrize(("state", "name"), [(s, n) for s, n in sorted(ALLOWED) if MOVES[n].needs_reason])
def test_a_move_that_needs_a_reason_is_refused_without_one(state: str, name: str) -> None:
    exchange_session = in_state(state)
    user = make_user(role="consultant", site=exchange_session.patient.site)
    with pytest.raises(ValidationError, match="Say why"):
        move(exchange_session=exchange_session, name=name, version=1, actor=user, at=NOW, reason="  ")


def test_a_session_changed_since_it_was_opened_stays_as_it_is() -> None:
    exchange_session = in_state("authorised")
    user = make_user(site=exchange_session.patient.site)
    ExchangeSession.objects.filter(pk=exchange_session.pk).update(version=2)
    with pytest.raises(EditedMeanwhile):
        move(exchange_session=exchange_session, name="start", version=1, actor=user, at=NOW)
    assert ExchangeSession.objects.get(pk=exchange_session.pk).state == "authorised"
    assert not TrailEntry.objects.filter(action="start session").exists()


def test_nobody_but_a_person_moves_a_session_except_that_a_signature_lapses_by_itself() -> None:
    exchange_session = in_state("authorised")
    with pytest.raises(PermissionDenied):
        move(exchange_session=exchange_session, name="start", version=1, actor=None, at=NOW)
    move(exchange_session=exchange_session, name="lapse", version=1, actor=None, at=NOW, reason="Hb was corrected")
    assert exchange_session.state == "planned"
