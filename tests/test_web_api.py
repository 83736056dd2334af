"""JSON for other programs: the shapes of `--json`, the document that describes them, mistakes as problems."""

from __future__ import annotations

import json
from typing import Any

import pytest
from commands import DEMO, casebase
from starlette.testclient import TestClient
from web_site import visitor

from casebase.web.access import TABLE
from casebase.web.openapi import document

WORDS = "runs only on choke, leaks at bulb, new plug no change, 2 hp trimmer"
JOB = "26-022-snow-thrower-early-bird"
ASKED = {
    "/api/find": {"q": WORDS}, "/api/understand": {"q": WORDS}, "/api/next": {"q": WORDS}, "/api/case/{reference}": {},
}


pytestmark = pytest.mark.usefixtures("quick")


@pytest.fixture(scope="module")
def api() -> TestClient:
    return visitor(DEMO)


def get(api: TestClient, path: str, status: int = 200, **query: Any) -> Any:
    answer = api.get(path, params=query)
    assert answer.status_code == status, answer.text
    assert answer.headers["content-type"] == "application/json"
    return answer.json()


def wrong(schema: Any, value: Any, schemas: Any, place: str = "") -> list[str]:
    """Where a value is not as its schema says: the few words of JSON Schema that the document uses."""
    if "$ref" in schema:
        return wrong(schemas[schema["$ref"].rpartition("/")[2]], value, schemas, place)
    if "anyOf" in schema:
        tries = [wrong(one, value, schemas, place) for one in schema["anyOf"]]
        return [] if [] in tries else tries[0]
    if "enum" in schema:
        return [] if value in schema["enum"] else [f"{place}: {value!r}"]
    kinds: dict[str, Any] = {"object": dict, "array": list, "string": str, "boolean": bool, "null": type(None)}
    kind = schema["type"]
    if kind in ("number", "integer"):
        fits = isinstance(value, (int, float) if kind == "number" else int) and not isinstance(value, bool)
    else:
        fits = isinstance(value, kinds[kind])
    if not fits:
        return [f"{place}: {value!r} is no {kind}"]
    found: list[str] = []
    if kind == "array":
        for number, item in enumerate(value):
            found += wrong(schema.get("items", {"enum": [item]}), item, schemas, f"{place}[{number}]")
    if kind == "object":
        known = schema.get("properties", {})
        found += [f"{place}.{name} is missing" for name in schema.get("required", ()) if name not in value]
        if known:
            found += [f"{place}.{name} is not described" for name in value if name not in known]
        for name, item in value.items():
            found += wrong(known.get(name, schema.get("additionalProperties", {"anyOf": [{"type": t} for t in (*kinds, "number")]})),
                           item, schemas, f"{place}.{name}")
    return found


def test_the_document_is_served_and_names_every_route(api):
    told = get(api, "/api/openapi.json")
    assert told == document() and told["openapi"].startswith("3.1")
    assert set(told["paths"]) == {row.path for row in TABLE if row.path.startswith("/api/")} - {"/api/openapi.json"} == ASKED.keys()
    names = {name for text in json.dumps(told).split("#/components/schemas/")[1:] for name in [text.split('"')[0]]}
    assert names <= set(told["components"]["schemas"])


@pytest.mark.parametrize("path", ASKED)
def test_answers_are_as_the_document_says(api, path):
    told = document()
    schema = told["paths"][path]["get"]["responses"]["200"]["content"]["application/json"]["schema"]
    for query in (ASKED[path], ASKED[path] | ({"q": "xyzzy"} if ASKED[path] else {})):
        answer = get(api, path.replace("{reference}", JOB), **query)
        assert wrong(schema, answer, told["components"]["schemas"]) == []


@pytest.mark.parametrize(("path", "query"), [("/api/find", {"q": ""}), ("/api/find", {}), ("/api/find", {"q": "???"}), ("/api/find", {"q": "x", "limit": "0"}),
                                             ("/api/find", {"q": "x", "limit": "51"}), ("/api/find", {"q": "x", "limit": "²"}), ("/api/find", {"q": "x", "by": "luck"}),
                                             ("/api/understand", {}), ("/api/next", {}), ("/api/next", {"q": "x", "a": "maybe:y"}), ("/api/next", {"q": "x", "by": "z"})])
def test_mistakes_are_problems(api, path, query):
    told = document()
    answer = get(api, path, 400, **query)
    assert wrong({"$ref": "#/Problems"}, answer, told["components"]["schemas"]) == [] and answer["problems"]


def test_a_wrong_case_is_not_found_and_the_nearest_are_named(api):
    answer = get(api, "/api/case/26-o15-blower", 404)
    assert answer["problems"][0]["code"] == "no-case" and "26-015-blower-no-spark-magnets" in answer["nearest"]
    assert get(api, "/api/next", 404, job="99-999")["nearest"] is not None
    assert get(api, "/api/nothing", 404)["problems"]


@pytest.mark.parametrize(("path", "query", "command"), [
    ("/api/find", {"q": WORDS}, ["find", WORDS]), ("/api/find", {"q": WORDS, "limit": 3, "by": "similarity"}, ["find", WORDS, "--limit", "3", "--by", "similarity"]),
    ("/api/understand", {"q": WORDS}, ["understand", WORDS]), ("/api/next", {"q": WORDS}, ["next", WORDS]), ("/api/next", {"job": "26-022"}, ["next", "26-022"]),
    ("/api/next", {"q": WORDS, "by": "owner"}, ["next", WORDS, "--profile", "owner"]), (f"/api/case/{JOB}", {}, ["show", "26-022"])])
def test_the_shapes_are_those_of_the_commands(api, path, query, command):
    assert get(api, path, **query) == casebase(*command, "--json", "--cases", str(DEMO)).json


def test_next_takes_answers_and_failed_fixes(api):
    plain = get(api, "/api/next", q="will not start")
    told = get(api, "/api/next", q="will not start", a=["bad:spark at the plug", "ok:fuel line"], f="replace spark plug")
    assert plain["causes"] != told["causes"]
    assert "spark at the plug" not in {item["name"] for item in told["proposals"]}


def test_what_was_read_wrongly_can_be_taken_away(api):
    answer = get(api, "/api/understand", **{"q": WORDS, "not": ["runs only on choke", "string trimmer", "replace spark plug"]})
    assert "runs only on choke" not in {term["label"] for term in answer["terms"]}
    assert answer["machine"]["kind"] == "" and answer["tried"] == []


def test_without_the_token_there_is_no_json():
    answer = visitor(DEMO, "t" * 32).get("/api/find?q=x")
    assert answer.status_code == 401 and answer.json()["problems"]
