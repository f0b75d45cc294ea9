from tests.bench.bay import TabletInBay
def test_x(new_tablet):
    t = new_tablet(is_enrolled=False)
    log=[]
    t.page.on("console", lambda m: log.append((m.type,m.text,m.location)))
    t.page.on("response", lambda r: r.status>=400 and log.append((r.status,r.url)))
    t.open("#enrol=ABCD")
    t.page.wait_for_timeout(3000)
    print(t.page.content()[:1500]); print(log); print(t.faults)
    assert 0
