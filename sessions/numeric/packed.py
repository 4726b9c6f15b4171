"""The figures of one session's facts as one run of bytes, as the drift model reads them: a nightly run reads a million.

Each figure is a number of 64 bits (IEEE 754 binary64, little-endian, 2019), in the order of FIGURES; a missing one is
not a number. All of them are exact: days, keys and codes are whole numbers far under 2⁵³.
"""

import struct
import zlib
from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np
from numpy.typing import NDArray

from sessions.numeric.columns import METHOD_UNKNOWN

FIGURES = (
    "day", "known_day", "hbs_before_pct", "hbs_after_pct", "hbs_ratio", "hbs_ratio_sd", "hb_before_g_l",
    "hb_after_g_l", "hb_reckoned_g_l", "hb_reckoned_sd", "untransfused_pct", "reason", "gap_known", "topup_hb_g",
    "topup_day", "blood_volume_ml", "method", "share_of_ideal", "share_of_ideal_sd", "hbs_before_result",
    "hbs_after_result", "hb_before_result", "hb_after_result",
)  # fmt: skip
"""What is packed of a row. Another list or order needs a migration that packs every row anew."""

_FORMAT = struct.Struct(f"<{len(FIGURES)}d")
_NUMBER = np.dtype("<f8")


class OtherForm(ValueError):
    """Rows that were packed with another list of figures."""


def pack(row: Mapping[str, Any]) -> bytes:
    """Return the figures of one row, by the names of FIGURES; None is missing, the method is told by its name."""
    values = {**row, "method": method_code(row["method"])}
    return _FORMAT.pack(*(np.nan if values[name] is None else values[name] for name in FIGURES))


def unpack(rows: Sequence[bytes]) -> NDArray[np.float64]:
    """Return packed rows as an array [rows, FIGURES].

    Raises: OtherForm where the length of a row is not that of FIGURES.
    """
    if set(map(len, rows)) - {_FORMAT.size}:
        raise OtherForm("Facts of sessions are stored in another form: build them anew (manage.py rebuild_facts).")
    return np.frombuffer(b"".join(rows), dtype=_NUMBER).reshape(-1, len(FIGURES))


def method_code(name: str) -> int:
    """Return a number that stands for the method of an assay, METHOD_UNKNOWN where none is named.

    The CRC-32 of the name (ISO 3309): two names share one with a chance of 1 in 4,000 million.
    """
    return zlib.crc32(name.encode()) if name else METHOD_UNKNOWN
