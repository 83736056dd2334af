"""The OpenAPI document of the routes under /api/, kept by hand beside them; tests hold it against the answers."""

from __future__ import annotations

from typing import Any

from casebase import __version__

Schema = dict[str, Any]

TEXT: Schema = {"type": "string"}
NUMBER: Schema = {"type": "number"}
WHOLE: Schema = {"type": "integer"}
YES_NO: Schema = {"type": "boolean"}


def _maybe(schema: Schema) -> Schema:
    return {"anyOf": [schema, {"type": "null"}]}


def _list(schema: Schema) -> Schema:
    return {"type": "array", "items": schema}


def _object(**fields: Schema) -> Schema:
    """An object with all of these keys. Keys may be added in later versions."""
    return {"type": "object", "required": list(fields), "properties": fields}


def _mapping(schema: Schema) -> Schema:
    return {"type": "object", "additionalProperties": schema}


def _ref(name: str) -> Schema:
    return {"$ref": f"#/components/schemas/{name}"}


def _schemas() -> dict[str, Schema]:
    interval = _maybe({"type": "array", "items": NUMBER, "minItems": 2, "maxItems": 2})
    hazard = _object(hazard=TEXT, caution=TEXT)
    return {
        "Understood": _object(
            text=TEXT, terms=_list(_object(kind=TEXT, label=TEXT, status=TEXT, words=TEXT, start=WHOLE, end=WHOLE)),
            machine=_object(kind=TEXT, engine=TEXT, carburettor=TEXT, displacement_cc=_maybe(NUMBER), age_years=_maybe(NUMBER)),
            readings=_list(_object(value=NUMBER, high=_maybe(NUMBER), unit=TEXT, words=TEXT)),
            tried=_list(_object(action=TEXT, result=TEXT, words=TEXT)), likely=_list(TEXT), left_over=_list(TEXT),
            corrected=_list(_object(written=TEXT, read_as=TEXT)),
            doubts=_list(_object(word=TEXT, meanings=_list(TEXT)))),
        "Neighbour": _object(case=TEXT, number=TEXT, score=NUMBER, causes=_list(TEXT), reasons={"type": "object"}),
        "Fix": _object(
            actions=_list(TEXT), tried=WHOLE, cases=_mapping(_list(TEXT)), in_words=TEXT, effective_cases=NUMBER,
            wilson=interval, beta=interval, median_minutes=_maybe(NUMBER), median_parts=_maybe(NUMBER),
            came_back=_list(TEXT), last=_maybe(TEXT)),
        "Answer": _object(
            understood=_ref("Understood"), cases_in_folder=WHOLE, similar_cases=WHOLE, neighbours=_list(_ref("Neighbour")),
            evidence=_list(_object(symptom=TEXT, cases=WHOLE, fixes=_list(_ref("Fix")), set_aside=_list(_ref("Fix")))),
            handbook=_list(_object(symptoms=_list(TEXT), cause=TEXT, printed_cause=TEXT, remedy=TEXT, action=TEXT, basis=TEXT,
                                   source=TEXT)),
            handbook_more=WHOLE, cautions=_list(hazard),
            ends_fixed=_object(chance=_maybe(NUMBER), nearest=WHOLE, fixed=WHOLE, share=_maybe(NUMBER), known=WHOLE,
                               base=_maybe(NUMBER))),
        "Next": _object(
            causes=_list(_object(cause=TEXT, chance=NUMBER, cases=_list(TEXT), sources=_list(TEXT))), two_faults=TEXT,
            settled=YES_NO, proposals=_list(_ref("Proposal")), cautions=_list(hazard), defers=TEXT),
        "Proposal": _object(
            kind={"enum": ["check", "fix"]}, name=TEXT, minutes=NUMBER, cost=NUMBER, saves=NUMBER, price_known=YES_NO,
            first_for_safety=YES_NO, helps=_maybe(NUMBER), cases=_list(TEXT),
            outcomes=_list(_object(answer=TEXT, chance=NUMBER, causes=_list(_object(cause=TEXT, chance=NUMBER)))),
            hazards=_list(TEXT), how=TEXT),
        "Case": _object(
            id=TEXT, number=TEXT, title=TEXT, date=TEXT, status=TEXT, machine={"type": "object"}, complaint=TEXT,
            symptoms=_list(TEXT), absent=_list(TEXT), history={"type": "object"}, steps=_list({"type": "object"}),
            causes=_list({"type": "object"}), proof=_list(TEXT), outcome=_maybe(TEXT), followups=_list({"type": "object"}),
            advice=_list(TEXT), comeback_of=TEXT, body=TEXT),
        "Problems": _object(
            problems=_list(_object(file=TEXT, line=WHOLE, column=WHOLE, field=TEXT, code=TEXT, severity=TEXT, message=TEXT,
                                   hint=TEXT)), nearest=_list(TEXT)),
    }


def _parameter(name: str, what: str, schema: Schema, *, required: bool = False, place: str = "query") -> Schema:
    return {"name": name, "in": place, "description": what, "required": required, "schema": schema}


def _get(what: str, answer: str, *parameters: Schema) -> Schema:
    def body(name: str) -> Schema:
        return {"application/json": {"schema": _ref(name)}}

    wrong = {"description": "What was wrong with the request, and what would do.", "content": body("Problems")}
    return {"get": {"summary": what, "parameters": list(parameters), "responses": {
        "200": {"description": what, "content": body(answer)}, "400": wrong, "401": wrong, "404": wrong, "413": wrong,
        "414": wrong}}}


def document() -> Schema:
    """The whole document."""
    words = _parameter("q", "A complaint in plain words.", TEXT)
    wrong = _parameter("not", "What was read by mistake, by its label; may be repeated.", _list(TEXT))
    limit = _parameter("limit", "How many to give.", {"type": "integer", "minimum": 1, "maximum": 50})
    return {
        "openapi": "3.1.0",
        "info": {"title": "casebase", "version": __version__,
                 "description": "Read-only. With `casebase serve --lan` a request needs the cookie that a log-in gives."},
        "paths": {
            "/api/find": _get("Similar cases, and what cured them.", "Answer", {**words, "required": True}, wrong, limit,
                              _parameter("by", "The order of the cases.", {"enum": ["explanations", "similarity"]})),
            "/api/understand": _get("What is read in a text.", "Understood", {**words, "required": True}, wrong),
            "/api/next": _get(
                "The check or fix to do next.", "Next", words, wrong, {**limit, "schema": {**limit["schema"], "maximum": 30}},
                _parameter("job", "A job by its number or id, instead of words.", TEXT),
                _parameter("a", 'An answer to a check, such as "bad:fuel line"; may be repeated.', _list(TEXT)),
                _parameter("f", "A fix that did not help; may be repeated.", _list(TEXT)),
                _parameter("by", "What can be done: everything, or what needs no tools.", {"enum": ["bench", "owner"]})),
            "/api/case/{reference}": _get("One case, without its private part.", "Case", _parameter(
                "reference", "Id, number, or a part of the id that fits one case only.", TEXT, required=True, place="path")),
        },
        "components": {"schemas": _schemas()},
    }
