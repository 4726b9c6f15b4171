"""What Ebbline is and is not, and for whom: the sentences that page, hazard log and README have in common."""

STATEMENT = (
    "Ebbline works out, from what a day unit records, how efficient exchanges of red cells were, how fast HbS rises, "
    "and when the next visit should be.",
    "Its users are a specialist nurse, a consultant and a booking coordinator who know exchange transfusion.",
    "It suggests and never decides: a licensed prescriber decides, and local policy applies.",
    "It is not a certified medical device and has not been validated in practice.",
    "It does not steer a machine, choose or release blood, or watch a person.",
)
