import os
from tests.fleet.pages.test_in_browser import *  # noqa

for n in [n for n in dict(globals()) if n.startswith("test_")]:
    del globals()[n]
from tests.fleet.pages.test_in_browser import browser, service, furnished, signed_in, page
from datetime import date, timedelta
from fleet import services
from fleet.ids import new_id
from fleet.tenancy import in_workshop

OUT = "/tmp/lb/w9/psetup/shots/"


def test_shots(page, furnished):
    os.makedirs(OUT, exist_ok=True)
    s = furnished.site
    for n in ("Tarn Lodge", "Ostrel Freight", "Fell Mountain Rescue"):
        s.operator(name=n, telephone="01 555 0199")
    i = s.instrument(serial="T-07", calibrated_on=date(2025, 1, 1), calibration_due_on=date(2026, 1, 1))
    j = s.instrument(
        serial="L-2",
        kind="laser",
        accuracy_class="",
        certificate={"expanded_uncertainty_mm": "0.30", "coverage_factor": "2"},
    )
    with in_workshop(s.workshop.pk):
        services.instrument_withdraw(
            actor=s.manager.actor(),
            record_id=new_id(),
            instrument=j,
            kind="found_out",
            since=date.today(),
            reason="Dropped; reads 2 mm long at 500 mm.",
        )
        services.person_invite(
            actor=s.manager.actor(),
            record_id=new_id(),
            email="kim.arden@example.com",
            name="Kim Arden",
            roles=["technician"],
        )
    s.vehicle_model(make="Corve", name="Haul 12")
    pages = dict(furnished.pages())
    pages[f"/instruments/{j.pk}/"] = ""
    only = os.environ.get("ONLY", "")
    for size, (w, h) in {"d": (1280, 800), "m": (390, 844)}.items():
        page.set_viewport_size({"width": w, "height": h})
        for theme in ("light", "dark"):
            page.emulate_media(color_scheme=theme)
            for path in pages:
                if only and only not in path:
                    continue
                page.goto(path)
                name = "".join(c if c.isalnum() else "_" for c in path.split("?")[0].strip("/"))
                import re

                name = re.sub(r"[0-9a-f]{8}_[0-9a-f]{4}.*?[0-9a-f]{12}", "X", name) + (
                    "_w" if str(j.pk) in path else ""
                )
                page.screenshot(path=f"{OUT}{name}_{size}_{theme}.png", full_page=True)
    page.set_viewport_size({"width": 1280, "height": 800})
    page.emulate_media(color_scheme="light")
    page.goto("/bays/new/")
    page.get_by_role("button", name="Add", exact=True).click()
    page.screenshot(path=OUT + "bays_error.png", full_page=True)
    page.goto("/vehicles/labels/")
    page.pdf(path=OUT + "labels.pdf", format="A4")
