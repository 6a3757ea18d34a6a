"""The API's reference page and its examples of answers, made from the API itself: ``python -m tests.api.reference``.

Answers come from the shipped model, to the first example of each question; lists are cut to their first two
entries, which leaves them as described. The page is api/REFERENCE.md: plain Markdown, nobody's script.
"""

import json
import sys
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from fastapi.testclient import TestClient

from api.app import create_app
from api.description import QUESTIONS, answers
from tests.fake_model import FakeModel
from tests.records.bench import NOW
from valuer.adviser import Adviser
from valuer.records.store.store import open_store

ROOT = Path(__file__).resolve().parents[2]
PAGE = ROOT / "api/REFERENCE.md"
EXAMPLES = ROOT / "api/answers.json"
LONGEST = 2


def document() -> dict[str, Any]:
    """The description of the whole API, records included."""
    with TemporaryDirectory() as folder:
        store = open_store(NOW, f"{folder}/records.sqlite")
        found: dict[str, Any] = create_app(Adviser(FakeModel()), store).openapi()
        store.close()
    return found


def page(api: dict[str, Any]) -> str:
    """The reference page: question by question, route by route, then every record with its fields."""
    lines = [
        "# Questions over HTTP",
        "",
        "Made from the API's own description (`/openapi.json`) by `python -m tests.api.reference`; a test compares.",
        "",
        api["info"]["description"],
        "",
        "Who may ask: "
        + " ".join(each["description"] for each in api["components"]["securitySchemes"].values()),
    ]
    for question in QUESTIONS:
        lines += ["", f"## {question}"]
        for path, operations in api["paths"].items():
            for method, operation in operations.items():
                if question in operation["tags"]:
                    lines += _route(path, method, operation)
    lines += ["", "## Records"]
    for name, schema in sorted(api["components"]["schemas"].items()):
        lines += _record(name, schema)
    return "\n".join(lines) + "\n"


def _route(path: str, method: str, operation: dict[str, Any]) -> list[str]:
    lines = ["", f"### {method.upper()} {path}", "", _cell(operation.get("description", ""))]
    for parameter in operation.get("parameters", ()):
        must = ", needed" if parameter.get("required") else ""
        about = _cell(parameter.get("description", ""))
        lines += ["", f"- `{parameter['name']}` ({parameter['in']}{must}): {about}"]
    body = operation.get("requestBody", {}).get("content", {}).get("application/json", {})
    if body:
        lines += ["", f"Takes {_kind(body['schema'])}."]
        for example in list(body.get("examples", {}).values())[:1]:
            lines += ["", f"Example, {example['summary']}:", "", *_json(example["value"])]
    for status, answer in operation["responses"].items():
        told = answer.get("content", {}).get("application/json", {})
        if status.startswith("2") and told:
            lines += ["", f"Answers {status} with {_kind(told.get('schema', {}))}."]
            if "example" in told:
                lines += ["", "Cut short:", "", *_json(told["example"])]
    refused = [status for status in operation["responses"] if not status.startswith("2")]
    return [*lines, "", f"Or with a problem document: {', '.join(sorted(refused))}."]


def _json(value: Any) -> list[str]:
    return ["```json", json.dumps(value, indent=1, ensure_ascii=False), "```"]


def _record(name: str, schema: dict[str, Any]) -> list[str]:
    lines = ["", f"### {name}", "", _cell(schema.get("description", ""))]
    if schema.get("properties"):
        lines += ["", "| field | form | meaning |", "|---|---|---|"]
        needed = schema.get("required", ())
        for field, told in schema["properties"].items():
            mark = "" if field in needed else " (may be left out)"
            lines.append(f"| `{field}`{mark} | {_kind(told)} | {_cell(told.get('description', ''))} |")
    return lines


def _cell(text: str) -> str:
    return " ".join(text.split()).replace("|", "\\|")


def _kind(schema: dict[str, Any]) -> str:
    """The form of a value in a few words."""
    if "$ref" in schema:
        return str(schema["$ref"]).rpartition("/")[2]
    if "anyOf" in schema:
        return " or ".join(dict.fromkeys(_kind(each) for each in schema["anyOf"]))
    if "enum" in schema or "const" in schema:
        return " \\| ".join(str(word) for word in schema.get("enum", [schema.get("const")]))
    kind = str(schema.get("type", "anything"))
    if kind == "array":
        return f"list of {_kind(schema.get('items', {}))}"
    if kind == "object" and isinstance(schema.get("additionalProperties"), dict):
        return f"{_kind(schema['additionalProperties'])} by name"
    least, most = schema.get("minimum", schema.get("exclusiveMinimum")), schema.get("maximum")
    bounds = f" {least:g} to {most:g}" if least is not None and most is not None else ""
    return {"null": "null", "string": str(schema.get("format", "text"))}.get(kind, kind) + bounds


def cut(value: Any) -> Any:
    """A document with its lists cut to their first entries."""
    if isinstance(value, list):
        return [cut(each) for each in value[:LONGEST]]
    if isinstance(value, dict):
        return {name: cut(each) for name, each in value.items()}
    return value


def make_answers(api: dict[str, Any]) -> dict[str, Any]:
    """The answer of the shipped model to the first example of each question."""
    from valuer.price_model import load_or_train  # noqa: PLC0415 - the page alone needs no model

    client = TestClient(create_app(Adviser(load_or_train())), "http://127.0.0.1")
    found = {}
    for path, operations in api["paths"].items():
        content = (
            operations.get("post", {}).get("requestBody", {}).get("content", {}).get("application/json", {})
        )
        if content.get("examples") and "200" in operations["post"]["responses"]:
            told = client.post(path, json=next(iter(content["examples"].values()))["value"])
            if told.status_code == 200:
                found[path] = cut(told.json())
    return found


def main() -> int:
    """Write both files."""
    EXAMPLES.write_text("{}\n", "utf-8") if not EXAMPLES.exists() else None
    EXAMPLES.write_text(json.dumps(make_answers(document()), indent=1, ensure_ascii=False) + "\n", "utf-8")
    answers.cache_clear()
    PAGE.write_text(page(document()), "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
