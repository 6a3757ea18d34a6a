"""The API's own description: routes by question, words for every field, the token, and an example of each answer."""

import json
from functools import cache
from importlib.resources import files
from typing import Any

from fastapi import FastAPI
from fastapi.openapi.utils import get_openapi

from api.door import COOKIE
from api.problems import ProblemDocument

QUESTIONS: dict[str, tuple[str, ...]] = {
    "What is it worth?": ("/v1/valuations",),
    "What to do to it, and to which first?": ("/v1/work-lists", "/v1/bench-plans", "/v1/bench-rankings"),
    "Buy it, or have it repaired?": ("/v1/purchase-limits", "/v1/repair-quotes"),
    "What to ask, and what to say to an offer?": ("/v1/asking-prices", "/v1/offers", "/v1/listings"),
    "What did I mean?": ("/v1/read",),
    "What is on record?": ("/v1/machines", "/v1/sales", "/v1/deeds", "/v1/own-terms"),
    "Did the advice hold?": ("/v1/correction", "/v1/accuracy"),
    "How do the records go out and in?": ("/v1/export", "/v1/import", "/v1/backups"),
    "What does it know, and is it well?": ("/v1/catalogue", "/v1/model-card", "/health"),
    "Who may ask?": ("/v1/entrance", "/v1/devices", "/v1/invitations"),
}
"""The routes by the question that they answer; a path belongs where its beginning stands."""

SCHEMES = {
    "token": {
        "type": "http",
        "scheme": "bearer",
        "description": "The token that `valuer serve --lan` shows once. This computer itself needs none.",
    },
    "device": {
        "type": "apiKey",
        "in": "cookie",
        "name": COOKIE,
        "description": "What a browser was given at /v1/entrance in exchange for the token.",
    },
}

FIELDS = {
    "action": "what becomes of it this week",
    "advised": "what comes to most for the owner",
    "amount": "the price, own money",
    "ask": "what is asked, own money",
    "attribute": "name of the attribute",
    "backups": "names of the copies, newest first",
    "basis": "the model behind it, and how many own sales hold it up",
    "bench_hours": "own hours at the bench, expected",
    "bench_plan": "this week's work",
    "bench_ranking": "all machines by return per bench hour",
    "cash": "money to be paid",
    "cause": "cause of a symptom, by its id",
    "cautions": "to be read before hands go near the machine",
    "chance": "chance of it, 0 to 1",
    "comparables": "prices seen around",
    "costs": "what it costs from the trip to the hand-over, line by line",
    "cured": "whether the fault was gone at the retest",
    "currency": "currency of all money, three letters",
    "devices": "devices that were let in",
    "ends": "ways in which it ends, with the chance of each",
    "entries": "the entries asked for",
    "entry": "the machine with all that was done to it",
    "errors": "what is wrong, field by field",
    "expected_price": "price to be expected, own money",
    "expected_return": "money gained over leaving it as it stands, own hours paid",
    "fast_sale": "what to ask so that it is gone in a week",
    "fault": "id of the fault",
    "faults": "the faults of the catalogue",
    "fees": "fees and costs of the sale, own money",
    "figures": "one by one",
    "first_ask": "asked in the first week",
    "fix": "id of the fix",
    "fixes": "the fixes, by their ids",
    "high": "the high end",
    "hour_value": "what an hour of one's own is worth, own money",
    "hours": "own hours",
    "how": "how it is found out or tested",
    "id": "id of the machine",
    "keeping": "list it now, or keep it for a better month",
    "limit": "entries in a page, at most",
    "likely": "the best guess",
    "low": "the low end",
    "machine": "the machine as it stands now",
    "machine_id": "id of the machine",
    "machines": "one a machine",
    "margin": "what a step must bring beyond its costs, own money",
    "mark": "where the figures come from: a source, common practice, or from memory",
    "method": "how the list was found",
    "minutes": "minutes of one's own",
    "month": "the month, 1 to 12",
    "name": "what it is called",
    "note": "anything worth keeping",
    "number": "its number",
    "odds": "chance that it cures, low, likely and high",
    "offer": "what is offered, own money",
    "offset": "entries left out before the first",
    "open": "whether the network may ask at all",
    "option": "what the owner may do",
    "options": "what the owner may do, side by side",
    "own": "the terms themselves",
    "own_sales": "own sales that correct the model",
    "part": "the part it is about",
    "parts": "money for parts, own money",
    "predicted": "what was expected of it, own money",
    "price": "the price, own money",
    "reason": "why, in a sentence",
    "room": "most listed at once",
    "route": "how it leaves: working, for repair, for parts, scrap",
    "safety": "may it be sold as a working mower, and what stands in the way",
    "says": "the same in a sentence",
    "severity": "slight or serious",
    "snag": "whether something else was made worse",
    "sold_as": "how it leaves: working, for repair, for parts, scrap",
    "sold_on": "day of the sale",
    "statement": "all of it in a sentence or two",
    "status": "how it is",
    "steps": "in working order",
    "symptoms": "what may be behind each symptom",
    "terms": "term by term",
    "then": "what follows, with the chance of each",
    "title": "in a few words",
    "total": "entries there are",
    "value": "what it should sell for as it stands, with a range that holds 8 sales in 10",
    "verdict": "what to do, in two or three words",
    "version": "how often it was changed; its ETag",
    "view": "whose view it is",
    "warnings": "what weakens these numbers, worst first",
    "week": "week of the listing, 1 is the first",
    "weeks": "week by week",
    "why": "the reason, in a sentence",
}
"""What a field means wherever it stands and does not say it itself."""

PRECISELY = {
    "AskingPoint.sold_by_week_1": "chance that it is gone by the end of the first week",
    "AskingPoint.sold_by_week_4": "chance that it is gone by the end of the fourth week",
    "BenchMachine.chance_of_loss": "chance that the work loses money",
    "Caution.beside": "places that show it",
    "Caution.force": "must_show stands in every document that advises the work; may_show where there is room",
    "Caution.id": "id of the caution",
    "Caution.words": "what to mind",
    "CauseChance.name": "what the cause is called",
    "CorrectionReport.fixes": "what own tries changed of the odds and hours of fixes",
    "CorrectionReport.odd_sales": "sales that are hardly believable, and so have next to no say",
    "CorrectionReport.selling": "how much sooner or later own machines sell",
    "DeviceKept.name": "what the device was called when it was let in",
    "Donor.part": "the part that goes over",
    "Figure.goal": "what it should be",
    "Figure.value": "the figure; null where there is too little to mean anything",
    "Figure.low": "low end of its 80 % interval",
    "Figure.high": "high end of its 80 % interval",
    "Fix.id": "id of the fix",
    "Fix.consumables": "what is used up with it",
    "Fix.tools": "tools it needs",
    "Gate.id": "id of the check",
    "GateStep.check": "id of the check",
    "Health.version": "version of valuer",
    "HourPoint.hour_value": "the worth of an hour that this list is for, own money",
    "ImportTold.new": "machines that were not on record",
    "ImportTold.same": "machines that are on record just so",
    "Invitation.address": "what to open on the device; it lets one in, once",
    "LearntFix.cured": "own tries that held",
    "LearntFix.failed": "own tries that did not",
    "LearntFix.odds_before": "odds in the catalogue",
    "LearntFix.odds_after": "odds once own tries are counted",
    "LearntSpeed.sold": "how many of them were sold",
    "LearntTerm.name": "what was corrected",
    "Listing.price": "the price in the advert, own money",
    "Listing.title": "the line that buyers search",
    "OddsWhen.at_least": "the value at or above which they hold",
    "OddsWhen.below": "the value below which they hold",
    "OddsWhen.equals": "the value at which they hold",
    "OddsWhen.reading": "name of the reading",
    "Odds.tries": "tries of one's own among them",
    "OfferAdvice.counter_brings": "what naming another price is expected to bring, own money",
    "OfferAdvice.take_brings": "what taking it brings, own money",
    "OtherStep.id": "id of the fix or look",
    "Part.state": "well, look (something is to be seen to) or wrong",
    "PictureKept.name": "made from its content; its address ends with it",
    "PictureKept.shows": "the machine, or the plate with its numbers",
    "Pictures.pictures": "in the order they were taken",
    "Reason.do": "what to do about it",
    "Running.status": "ok, rough or stalled; /health says more to whoever has the token",
    "SaleSeen.price": "what it brought, own money",
    "WorkList.by_hour_value": "the list at other values of an hour, where that was asked for",
    "WorkList.questions": "what is not known of it, and what finding out would bring",
    "WorkStep.kind": "a check, a look, a measurement or a fix",
    "WorkStep.number": "its place in the list, from 1; results name the step that follows",
    "WorkStep.parts_of_it": "the fixes, looks or checks that are done in one session",
    "WorkStep.results": "what may come of it, and what follows each",
    "ProblemDocument.detail": "what was expected, what came, what to do",
    "ProblemDocument.status": "the HTTP status",
    "ProblemDocument.title": "what kind of problem it is",
    "accuracy.hour_value": "what an hour of one's own is worth, own money",
    "correction.price_level": "own money per dollar of the invented market",
    "machines.which": "all, those on the bench, or those sold",
}
"""What a field of one record, or a parameter of one route, means where its name alone does not tell."""


def describe(app: FastAPI) -> dict[str, Any]:
    """FastAPI's document with routes by question, words for all, the token, problem details and examples of answers."""
    document = get_openapi(
        title=app.title,
        version=app.version,
        description=app.description,
        routes=app.routes,
        tags=[{"name": question} for question in QUESTIONS],
    )
    problem = ProblemDocument.model_json_schema(ref_template="#/components/schemas/{model}")
    schemas = document["components"]["schemas"]
    schemas |= problem.pop("$defs") | {"ProblemDocument": problem}
    document["components"]["securitySchemes"] = SCHEMES
    document["security"] = [{}, *({name: []} for name in SCHEMES)]
    for name, schema in schemas.items():
        _fields(name.rpartition("__")[2].removesuffix("-Input").removesuffix("-Output"), schema)
    for path, operations in document["paths"].items():
        for operation in operations.values():
            operation["tags"] = [_question(path)]
            _parameters(path, operation)
            _example(path, operation)
    return document


def _question(path: str) -> str:
    return next(
        question for question, starts in QUESTIONS.items() if any(path.startswith(start) for start in starts)
    )


def _fields(record: str, schema: dict[str, Any]) -> None:
    for name, field in schema.get("properties", {}).items():
        if not field.get("description"):
            words = PRECISELY.get(f"{record}.{name}") or FIELDS.get(name)
            if words:
                field["description"] = words


def _parameters(path: str, operation: dict[str, Any]) -> None:
    for parameter in operation.get("parameters", ()):
        if not parameter.get("description"):
            name = parameter["name"]
            about = parameter.get("schema", {}).get("description")
            words = about or PRECISELY.get(f"{path.rpartition('/')[2]}.{name}") or FIELDS.get(name)
            if words:
                parameter["description"] = words


def _example(path: str, operation: dict[str, Any]) -> None:
    example = answers().get(path)
    told = operation["responses"].get("200", {}).get("content", {}).get("application/json")
    if example is not None and told is not None and "requestBody" in operation:
        told["example"] = example


@cache
def answers() -> dict[str, Any]:
    """An example of the answer to each question, by path; `python -m tests.api.reference` makes them."""
    found: dict[str, Any] = json.loads(files("api").joinpath("answers.json").read_text("utf-8"))
    return found
