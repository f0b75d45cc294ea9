import random, collections, re, json, os
import pytest
import schemathesis
from hypothesis import given, settings as hsettings, HealthCheck, Phase
from tests.calibration.api.contract import CONTRACT
from tests.calibration.api.http_bench import *
from tests.calibration.api.test_access import _is_of_calibration
from tests.factories import make_site
rng = random.Random(7)
@pytest.mark.filterwarnings("ignore")
def test_fuzz(committed_db, settings, tmp_path):
    settings.ROOT_URLCONF = "tests.calibration.api.urls"
    settings.MEDIA_ROOT = tmp_path
    b = HttpBench.of(make_site())
    def fresh():
        b.vehicle = b.site.vehicle()
        b.setpoints = dict(SETPOINTS)
        measured = b.measured(ONE_HIGH)
        write = b.write(read_back={**SETPOINTS, "FL": 118})
        b.measure(ONE_HIGH)
        proposal = b.propose(setpoints={**b.setpoints, "RR": 121}, justification="Try.")
        return {"job_id": [b.job], "round_id": [measured["id"]], "write_id": [write["id"]], "vin": [b.vehicle.vin],
           "jobs": b.job, "rounds": measured["id"], "readings": measured["readings"][0]["id"], "approvals": proposal["approval"], "proposals": proposal["id"], "writes": write["id"]}, [b.job, measured["id"], measured["readings"][0]["id"], proposal["approval"], proposal["id"], write["id"], write["findings"][0]["id"], str(b.tape.pk), str(b.site.technician.membership.pk)]
    schema = schemathesis.openapi.from_dict(CONTRACT.document)
    counts = collections.Counter(); fails = {}
    client = b.site.manager.client(); client.raise_request_exception = False
    def mix(node, known):
        if isinstance(node, dict): return {k: mix(v, known) for k, v in node.items()}
        if isinstance(node, list): return [mix(v, known) for v in node]
        if isinstance(node, str) and re.fullmatch(r"[0-9a-f]{8}-[0-9a-f-]{27}", node) and rng.random() < .7: return rng.choice(known)
        if isinstance(node, str) and re.fullmatch(r"[0-9a-f]{64}", node) and rng.random() < .5: return shown
        return node
    ops = [o.ok() for o in schema.get_all_operations()]
    for op in ops:
        if not _is_of_calibration(op.path): continue
        ids, known = fresh()
        shown = b.state()["content_sha256"]
        for mode in (schemathesis.GenerationMode.POSITIVE, schemathesis.GenerationMode.NEGATIVE):
            strategy = op.as_strategy(generation_mode=mode)
            @given(case=strategy)
            @hsettings(max_examples=int(os.environ.get("N", "40")), deadline=None, suppress_health_check=list(HealthCheck), phases=[Phase.generate], database=None)
            def run(case):
                def fill(m):
                    name = m.group(1)
                    if name == "id": return ids.get(op.path.split("/")[3], b.job)
                    return ids[name][0]
                path = re.sub(r"\{(\w+)\}", fill, op.path)
                body = case.body
                kw = {}
                if op.method == "post":
                    if "photos" in path:
                        kw = dict(data={"file": __import__("io").BytesIO(b"x")}, format="multipart")
                    else:
                        try: data = json.dumps(mix(body, known)) if body is not schemathesis.core.NOT_SET else ""
                        except TypeError: data = str(body)
                        kw = dict(data=data.encode("utf-8", "surrogatepass"), content_type="application/json")
                else:
                    kw = dict(data={k: v for k, v in (case.query or {}).items() if not isinstance(v, (list, dict)) and v is not None})
                try:
                    r = getattr(client, op.method)(path, **kw)
                except UnicodeEncodeError:
                    return
                counts[(op.method, r.status_code)] += 1
                try:
                    CONTRACT.check(op.method, path, r)
                    assert r.status_code < 500
                except BaseException as e:
                    fails.setdefault((op.label, str(e)[:150]), (kw, r.status_code, r.content[:300] if not r.streaming else ''))
            try: run()
            except BaseException as e:
                if type(e).__name__ in ("Unsatisfiable",): continue
                raise
    print(counts, sum(counts.values()))
    for k, v in fails.items(): print(k, v)
    assert 0
