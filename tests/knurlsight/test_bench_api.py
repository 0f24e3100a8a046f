"""The API: the examples of its description are run as they stand; the description is true; nothing makes a 500."""

from __future__ import annotations

import json
import os
import re
import shutil
import signal
import subprocess
import sys
from importlib.util import find_spec
from pathlib import Path

import pytest
from bench_doubles import client, free_port, hand_in, photo_bytes, running_bench, wait_for
from hypothesis import given, settings
from hypothesis import strategies as st
from jsonschema import Draft202012Validator
from knurlsight.bench import api, pages, submissions
from knurlsight.bench.openapi import document

ROOT = Path(__file__).parents[2]
API = (ROOT / "inspect" / "knurlsight" / "bench" / "API.md").read_text(encoding="utf-8")
EXAMPLES = re.findall(r"^curl .*$|^.*\| curl .*$", "\n".join(re.findall(r"```sh\n(.*?)```", API, re.S)), re.M)
PORT = free_port()


@pytest.fixture(scope="module")
def served(tmp_path_factory):
    """A bench as it is started by the command line."""
    folder = tmp_path_factory.mktemp("served")
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1"}
    command = [sys.executable, "-m", "knurlsight", "bench", "--store", str(folder), "--port", str(PORT), "--jobs", "1"]
    with (folder / "stderr.txt").open("w") as said:
        process = subprocess.Popen(command, stderr=said, env=environment)
    try:
        wait_for(lambda: "Ctrl-C" in (folder / "stderr.txt").read_text() or process.poll() is not None)
        assert process.poll() is None, (folder / "stderr.txt").read_text()
        wait_for(lambda: shell("curl -s -o /dev/null http://localhost:8765/pair && echo up", {}).stdout)
        yield folder
    finally:
        process.send_signal(signal.SIGINT)
        status = process.wait(20)
    words = (folder / "stderr.txt").read_text()
    assert status == 130 and "Traceback" not in words, words


def shell(line: str, words: dict[str, str]) -> subprocess.CompletedProcess[str]:
    line = line.replace("localhost:8765", f"localhost:{PORT}").replace("python3", sys.executable)
    return subprocess.run(
        line, shell=True, cwd=ROOT, env={**os.environ, **words}, capture_output=True, text=True, timeout=90
    )


@pytest.mark.skipif(shutil.which("curl") is None, reason="curl is not installed")
def test_the_examples_run_as_they_stand(served, tmp_path):
    words: dict[str, str] = {}
    answers = []
    for example in EXAMPLES:
        line = re.sub(r"-o (\S+)", rf"-o {tmp_path}/\1", example)
        done = shell(line, words)
        assert done.returncode == 0, (line, done.stderr)
        answer = json.loads(done.stdout) if done.stdout else {}
        assert "error" not in answer, (line, answer)
        if "/tokens" in line:
            words["TOKEN"] = answer["token"]
        elif "/setups" in line:
            words["SETUP"] = answer["hash"]
        elif "continues=" in line:
            assert len(answer["photos"]) == 2  # its own and that of the inspection before
            refused = json.loads(shell(line.replace("45deg", "x"), words).stdout)["error"]
            assert refused["code"] == "turned" and "x" in refused["message"]
            assert answer["id"] != words["ID"] and answer["setup"] == words["SETUP"]
        elif "photo=@" in line:
            words["ID"] = answer["id"]
            assert json.loads(shell(line, words).stdout)["id"] == answer["id"]  # sent again: the same
        answers.append(answer)
    result = next(a for a in answers if a.get("result"))
    assert (result["state"], result["verdict"]) == (
        "done",
        "fail",
    )  # its left family is 0.56 as deep: fixtures/README.md
    assert result["result"]["parts"][0]["form"] == "RGE"
    kept = next(a for a in answers if (a.get("kept") or {}).get("entry"))
    assert kept["kept"]["job"] == "2041"
    assert [e["kind"] for e in answers[-1]["entries"]] == ["job", "inspection", "disposition"]
    assert (tmp_path / "picture.jpg").read_bytes()[:2] == b"\xff\xd8"
    assert "FAIL" in (tmp_path / "report.html").read_text(encoding="utf-8").upper()
    verify = subprocess.run(
        [sys.executable, "-m", "knurlsight", "job", "verify", "--store", str(served)], capture_output=True, text=True
    )
    assert verify.returncode == 0, verify.stderr


def test_a_second_bench_on_the_port_is_refused_in_one_line(served, tmp_path):
    command = [sys.executable, "-m", "knurlsight", "bench", "--store", str(tmp_path), "--port", str(PORT)]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert done.returncode == 2 and done.stderr.startswith(f"error: port {PORT}") and "hint: --port" in done.stderr
    command = [sys.executable, "-m", "knurlsight", "bench", "--store", str(served), "--port", str(free_port())]
    done = subprocess.run(command, capture_output=True, text=True, timeout=30)
    assert done.returncode == 2 and "another bench" in done.stderr


@pytest.mark.skipif(find_spec("schemathesis") is None, reason="pip install schemathesis to fuzz from the description")
def test_what_is_made_up_from_the_description_is_answered_as_described(served):
    """The bench page's benchmark does the same with many more requests."""
    url = f"http://localhost:{PORT}/api/v1"
    made = shell(f"curl -s {url}/tokens -H 'content-type: application/json' -d '{{\"name\": \"fuzz\"}}'", {}).stdout
    checks = "not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance"
    command = [sys.executable, "-m", "schemathesis.cli", "run", f"{url}/openapi.json", "--checks", checks]
    command += ["--header", f"Authorization: Bearer {json.loads(made)['token']}", "--max-examples", "4"]
    command += ["--phases", "fuzzing", "--seed", "8", "--no-color"]
    done = subprocess.run(command, capture_output=True, text=True, timeout=120, cwd=served)
    assert done.returncode == 0, done.stdout[-3000:]


# --- the description -------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def bench(tmp_path_factory):
    with running_bench(tmp_path_factory.mktemp("api")) as opened:
        yield opened


@pytest.fixture(scope="module")
def program(bench):
    token = client(bench).post("/api/v1/tokens", json={"name": "shop"}).json()["token"]
    found = client(bench)
    found.headers["authorization"] = f"Bearer {token}"
    return found


def test_the_description_names_every_route_and_no_other():
    described = {(path, method.upper()) for path, ways in document()["paths"].items() for method in ways}
    routed = {(r.path, m) for r in api.ROUTES for m in r.methods - {"HEAD"}}
    assert described == routed - {("/api/v1/openapi.json", "GET")}


def test_the_description_is_sound(program):
    sent = program.get("/api/v1/openapi.json").json()
    assert sent == json.loads(json.dumps(document())) and sent["openapi"].startswith("3.1")
    for model in sent["components"]["schemas"].values():
        Draft202012Validator.check_schema(model)
    text = json.dumps(sent)
    for reference in re.findall(r'"#/components/schemas/(\w+)"', text):
        assert reference in sent["components"]["schemas"]


def test_answers_are_as_described(bench, program):
    schemas = document()["components"]["schemas"]

    def check(answer, model):
        whole = {"$ref": f"#/components/schemas/{model}", "components": {"schemas": schemas}}
        Draft202012Validator(whole).validate(answer.json())
        return answer.json()

    sent = {"files": {"photo": ("a.jpg", photo_bytes())}, "data": {"upload": "described-1"}}
    first = check(program.post("/api/v1/inspections", **sent), "InspectionShown")
    done = check(program.get(f"/api/v1/inspections/{first['id']}?wait=20"), "InspectionShown")
    assert done["state"] == "done" and done["result"]["verdict"] == "pass"
    for link in done["links"].values():
        assert program.get(link).status_code == 200
    listed = check(program.get("/api/v1/inspections?limit=1"), "InspectionsShown")["inspections"]
    assert listed[0]["id"] == first["id"]
    assert check(program.get(f"/api/v1/inspections?before={first['id']}"), "InspectionsShown")["inspections"] == []
    check(program.post("/api/v1/jobs", json={"number": "77"}), "JobShown")
    check(program.get("/api/v1/jobs"), "JobsShown")
    kept = check(program.post(f"/api/v1/inspections/{first['id']}/keep", json={"job": "77"}), "InspectionShown")
    assert kept["kept"]["entry"] == 2
    check(program.get("/api/v1/jobs/77"), "HistoryShown")
    toml = '[part]\noutside_diameter = "20 mm"\n[pattern]\nform = "RAA"\nnormal_pitch = "1 mm"\n'
    check(program.post("/api/v1/setups", json={"text": toml}), "SetupKnown")
    check(program.get("/api/v1/setups"), "SetupsShown")
    check(program.post("/api/v1/setups", json={"text": "x = 1"}), "ErrorShown")


def test_a_cookie_is_no_token_and_a_token_no_cookie(bench, program):
    token = program.headers["authorization"].removeprefix("Bearer ")
    other = client(bench, "bench.test", ("192.0.2.9", 1))
    other.cookies.set("knurlsight_bench", token)
    assert other.get("/").status_code == 303  # a program's token opens no page
    assert client(bench).get("/api/v1/jobs").status_code == 401


# --- whatever is sent, never a 500 -----------------------------------------------------------------------------------

WORDS = st.one_of(
    st.text(max_size=40),
    st.sampled_from(
        ["", "..", "../x", "%00", "\u202e", "0", "-1", "1e9", "2041", "' OR 1=1 --", "<b>", "od:20", "rig:x"]
    ),
)
PATHS = sorted({r.path for r in (*pages.ROUTES, *api.ROUTES)})
FIELDS = ["upload", "od", "job", "operation", "note", "decision", "why", "setup", "scale", "other", "units", "theme",
          "number", "part", "customer", "name", "form", "normal_pitch", "outside_diameter", "helix", "code", "about",
          "text"]  # fmt: skip


@settings(max_examples=150)
@given(
    path=st.sampled_from(PATHS),
    parts=st.lists(WORDS, min_size=4, max_size=4),
    method=st.sampled_from(["GET", "POST", "PUT", "HEAD", "DELETE"]),
    query=st.dictionaries(st.sampled_from(["q", "limit", "before", "wait", "code"]), WORDS, max_size=2),
    fields=st.dictionaries(st.sampled_from(FIELDS), WORDS, max_size=6),
    as_json=st.booleans(),
    known=st.booleans(),
)
def test_whatever_is_sent_there_is_no_500(bench, program, path, parts, method, query, fields, as_json, known):
    from urllib.parse import quote

    identity = known and submissions.latest(bench.folder, 1)[0].id if submissions.latest(bench.folder, 1) else parts[0]
    filled = path
    for key, word in zip(re.findall(r"\{(\w+)\}", path), parts, strict=False):
        filled = filled.replace(f"{{{key}}}", quote(identity if key == "id" and known else word, safe="") or "x", 1)
    sender = program if path.startswith("/api/") else client(bench)
    query = {k: ("0" if k == "wait" else v) for k, v in query.items()}
    sent = {"json": fields} if as_json else {"data": fields}
    answer = sender.request(method, filled, params=query, **(sent if method in ("POST", "PUT") else {}))
    assert answer.status_code < 500, (method, filled, fields, answer.text[:300])
    if path.startswith("/api/") and answer.status_code >= 400 and method != "HEAD":
        assert set(answer.json()["error"]) == {"code", "message", "hint"}


@settings(max_examples=60)
@given(body=st.binary(max_size=300), kind=st.sampled_from(["application/json", "multipart/form-data; boundary=b",
       "multipart/form-data", "application/x-www-form-urlencoded", "text/plain", ""]))  # fmt: skip
def test_raw_bytes_make_no_500(bench, program, body, kind):
    for sender, path in ((program, "/api/v1/inspections"), (program, "/api/v1/jobs"), (client(bench), "/inspections"),
                         (client(bench), "/setups")):  # fmt: skip
        answer = sender.post(path, content=body, headers={"content-type": kind})
        assert answer.status_code < 500, answer.text[:300]


def test_a_twentieth_of_the_load_leaves_nothing_open(bench):
    """A twentieth of the load of tests/bench/bench_page.py: handles of this process stay as many as before."""
    descriptors = Path("/proc/self/fd")
    if not descriptors.is_dir():
        pytest.skip("this system does not show the open files of a process")
    sender = client(bench)
    counts = []
    for n in range(50):
        identity = hand_in(sender, f"load-{n:06d}").json()["id"]
        wait_for(lambda i=identity: submissions.submission(bench.folder, i).state == "done")
        counts.append(len(list(descriptors.iterdir())))
    assert counts[-1] <= counts[10] + 3
