"""Who is in the chair: name and birth date asked, and the wristband held against the page. Common practice."""


def identity_faults(*, name_and_birth_asked: bool, wristband: str, patient_ref: str) -> dict[str, str]:
    """Return what is wrong by field ('asked', 'wristband'); nothing where the person is the one of this page."""
    faults = {}
    if not name_and_birth_asked:
        faults["asked"] = "Ask the person for name and birth date, and hold both against this page and the unit's tag."
    worn = wristband.strip()
    if not worn:
        faults["wristband"] = "Scan the wristband, or type the reference that stands on it."
    elif worn.casefold() != patient_ref.casefold():
        faults["wristband"] = (
            f"The wristband says {worn[:40]}, this page is {patient_ref}: not the same person. Stop, and find out who "
            "this is before anything is given."
        )
    return faults
