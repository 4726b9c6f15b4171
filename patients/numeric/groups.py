"""Blood groups as they are recorded: value and words."""

ABO = [(group, group) for group in ("O", "A", "B", "AB")]
RHD = [("+", "positive"), ("-", "negative")]
