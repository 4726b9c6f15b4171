"""Forms as a browser would send them."""


def opened(client, address):
    """The form's own fields as the page opens with them: what a browser would send back."""
    answer = client.get(address)
    assert answer.status_code == 200
    sent = {}
    for form in answer.context["page"].all_forms:
        for box in form:
            value = box.value()
            if value is not False and not (box.field.is_many and not value):
                sent[box.html_name] = "on" if value is True else "" if value is None else value
    return sent
