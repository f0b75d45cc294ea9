from tests.bench.bay import TabletInBay
import itertools


def shots(t, tag):
    n = [0]

    def shot(name):
        t.page.wait_for_timeout(500)
        for theme in ("light", "dark"):
            t.page.evaluate(f"document.documentElement.dataset.theme='{theme}'")
            t.page.screenshot(path=f"/tmp/lb/w9/shell/{tag}-{name}-{theme}.png")
        t.page.evaluate("delete document.documentElement.dataset.theme")

    return shot


def run(new_tablet, viewport, tag):
    t = new_tablet(is_enrolled=False, viewport=viewport)
    shot = shots(t, tag)
    t.open()
    shot("enrol")
    t.enrol()
    t.page.get_by_role("button", name=t.bay.technician.membership.name).wait_for()
    shot("people")
    t.press(t.bay.technician.membership.name)
    t.type_pin("1234")
    t.press("Start")
    t.page.wait_for_timeout(500)
    t.type_pin("12")
    shot("pin")
    t.open()
    t.page.reload()
    t.sign_in()
    t.expect_heading("Today")
    shot("today-empty")
    t.page.get_by_label("Find a vehicle").fill("1M8GDM9A0KP042788")
    shot("find-wrong")
    t.page.get_by_label("Find a vehicle").fill(t.bay.vehicle.vin[-6:])
    shot("find")
    t.open("#/vehicle/" + t.bay.vehicle.vin)
    shot("vehicle")
    t.open("#/open/" + t.bay.vehicle.vin)
    shot("open")
    id = t.open_job()
    shot("job")
    t.open()
    t.page.wait_for_timeout(300)
    shot("today")
    t.open("#/settings")
    shot("settings")
    t.context.set_offline(True)
    t.open("#/open/" + t.bay.vehicle.vin)
    t.page.get_by_label("Odometer").fill("48300")
    t.press("Open the job")
    t.page.wait_for_timeout(500)
    shot("offline-open")
    t.open("#/tray")
    shot("tray-offline")
    t.context.set_offline(False)
    t.page.wait_for_timeout(3000)
    t.open("#/tray")
    shot("tray")


def test_x(new_tablet):
    run(new_tablet, {"width": 1180, "height": 820}, "a")


def test_y(new_tablet):
    run(new_tablet, {"width": 820, "height": 1180}, "b")
