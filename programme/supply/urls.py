"""Addresses of the blood pages: orders, units and demand."""

from django.urls import URLPattern, path

from programme.supply.views import blood, orders

app_name = "supply"
urlpatterns: list[URLPattern] = [
    path("blood/", blood.blood, name="blood"),
    path("blood/draft/", blood.draft, name="draft"),
    path("blood/send/", blood.send, name="send"),
    path("blood/order-sheet.pdf", blood.sheet_on_paper, name="sheet_pdf"),
    path("blood/order-sheet.csv", blood.sheet_as_table, name="sheet_csv"),
    path("blood/foresee/", blood.foresee, name="foresee"),
    path("blood/demand.csv", blood.demand_as_table, name="demand_csv"),
    path("blood/units/", blood.units_to_their_end, name="ends"),
    path("blood/coming/", blood.coming, name="coming"),
    path("blood/trace/", blood.trace, name="trace"),
    path("blood/people/<path:patient_ref>/", blood.person, name="person"),
    path("blood/orders/<int:order_number>/", orders.order, name="order"),
    path("blood/orders/<int:order_number>.pdf", orders.order_on_paper, name="order_pdf"),
    path("blood/orders/<int:order_number>/units/<int:key>/", orders.unit, name="unit"),
    path("blood/orders/<int:order_number>/<slug:what>/", orders.act, name="act"),
]
