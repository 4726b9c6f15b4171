"""Tables for other programs: no cell of them is a formula."""

STARTS_A_FORMULA = ("=", "+", "-", "@", "\t", "\r", "\n", "\uff1d", "\uff0b", "\uff0d", "\uff20")


def safe(cell: str) -> str:
    """Return a cell that no spreadsheet runs as a formula: text that begins like one gets an apostrophe in front.

    Numbers are written by this programme and keep their sign.
    """
    is_number = cell.replace(".", "", 1).removeprefix("-").isdigit()
    return f"'{cell}" if cell.startswith(STARTS_A_FORMULA) and not is_number else cell
