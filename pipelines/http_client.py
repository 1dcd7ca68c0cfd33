"""The client that docs/ holds, written from the description of the HTTP service.

    python -m faultml.pipelines.http_client docs/openapi.json docs/client.py

A typed method for each operation, a typed dictionary for each schema, and nothing but Python's standard library. A test
writes it anew and compares, and asks a running server with it.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterator, Mapping
from pathlib import Path
from textwrap import indent, wrap
from typing import Any, Final

from faultml.errors import InputError

Schema = Mapping[str, Any]

JSON: Final = "application/json"
FORM: Final = "multipart/form-data"
WIDTH: Final = 110

_PLAIN: Final = {"string": "str", "integer": "int", "number": "float", "boolean": "bool", "null": "None"}

_HEAD: Final = '''"""A client of ``faultml serve`` with nothing but Python's standard library.

Written from the service's own description by ``faultml.pipelines.http_client``. Copy it to where it is needed;
docs/http.md shows how it is used.
"""

# fmt: off
from __future__ import annotations

import json
import os
import secrets
import urllib.error
import urllib.parse
import urllib.request
from typing import Any, Literal, NotRequired, TypedDict, cast


class Problem(Exception):
    """The server's refusal: its problem document, and how long to wait before the next try (0: do not)."""

    def __init__(self, document: ProblemDocument, retry_after_s: float) -> None:
        super().__init__(f"{document['status']} {document['code']}: {document['detail']}")
        self.document = document
        self.retry_after_s = retry_after_s
'''

_CLIENT: Final = '''class Client:
    """Asks one server; by default the one that FAULTML_SERVER and FAULTML_TOKEN name, else this machine's."""

    def __init__(self, server: str = "", token: str = "", timeout_s: float = 60.0) -> None:
        self.server = (server or os.environ.get("FAULTML_SERVER", "{server}")).rstrip("/")
        self.token = token or os.environ.get("FAULTML_TOKEN", "")
        self.timeout_s = timeout_s

    def ask(
        self, method: str, path: str, query: dict[str, Any] | None = None, body: bytes | None = None, kind: str = ""
    ) -> bytes:
        """The answer's body; raises `Problem` where the server refuses, OSError where there is none."""
        given = {{name: json.dumps(each) if isinstance(each, bool) else each for name, each in (query or {{}}).items()}}
        text = urllib.parse.urlencode({{name: each for name, each in given.items() if each is not None}})
        request = urllib.request.Request(f"{{self.server}}{{path}}{{'?' if text else ''}}{{text}}", body, method=method)
        if kind:
            request.add_header("content-type", kind)
        if self.token:
            request.add_header("authorization", f"Bearer {{self.token}}")
        try:
            with urllib.request.urlopen(request, timeout=self.timeout_s) as answer:
                return cast(bytes, answer.read())
        except urllib.error.HTTPError as error:
            if error.headers.get_content_type() != "application/problem+json":
                raise
            document = cast(ProblemDocument, json.loads(error.read()))
            raise Problem(document, float(error.headers.get("retry-after", "0"))) from None
'''

_TAIL: Final = '''def _form(files: list[tuple[str, bytes]]) -> tuple[bytes, str]:
    """Files as the body of a form, and its media type."""
    mark = secrets.token_hex(16)
    parts = [
        f'--{mark}\\r\\ncontent-disposition: form-data; name="{name}"; filename="{name}"\\r\\n\\r\\n'.encode() + content
        for name, content in files
    ]
    return b"\\r\\n".join([*parts, f"--{mark}--\\r\\n".encode()]), f"multipart/form-data; boundary={mark}"


def _name(value: str) -> str:
    """A name as a part of a path."""
    return urllib.parse.quote(value, safe="")
'''


def client(contract: Schema, server: str = "http://127.0.0.1:8765") -> str:
    """The source of a client.

    Parameters
    ----------
    contract
        What the service says of itself: OpenAPI 3.1, as ``faultml serve`` gives it at ``/openapi.json``.
    server
        Whom to ask where nobody says otherwise.

    Raises
    ------
    InputError
        ``unknown-schema`` where it holds what this does not translate.
    """
    types = [_typed(name, schema) for name, schema in contract["components"]["schemas"].items()]
    methods = [
        indent(_method(path, verb.upper(), operation), "    ")
        for path, verbs in contract["paths"].items()
        for verb, operation in verbs.items()
    ]
    asking = "\n".join([_CLIENT.format(server=server), *methods])
    return "\n\n".join([_HEAD, *types, asking, _TAIL])


def _typed(name: str, schema: Schema) -> str:
    """A schema as a typed dictionary."""
    lines = [f"class {name}(TypedDict):", *_doc(schema.get("description", name)), ""]
    for field, each in schema["properties"].items():
        kind = python_type(each)
        lines.append(f"    {field}: {kind if field in schema['required'] else f'NotRequired[{kind}]'}")
        lines += _doc(each["description"]) if "description" in each else []
    return "\n".join(lines) + "\n"


def python_type(schema: Schema) -> str:
    """A schema as Python's annotations say it."""
    if "$ref" in schema:
        return str(schema["$ref"]).rpartition("/")[2]
    if "anyOf" in schema:
        return " | ".join(python_type(each) for each in schema["anyOf"])
    words = schema.get("enum", [schema["const"]] if "const" in schema else [])
    if words:
        return f"Literal[{', '.join(map(_quoted, words))}]"
    kind = schema.get("type")
    if kind == "array":
        return f"list[{python_type(schema['items'])}]"
    if kind == "object" and isinstance(schema.get("additionalProperties"), dict):
        return f"dict[str, {python_type(schema['additionalProperties'])}]"
    if kind not in _PLAIN:
        raise InputError("unknown-schema", expected=", ".join(_PLAIN), found=json.dumps(schema)[:100])
    return "bytes" if schema.get("format") == "binary" else _PLAIN[kind]


def _method(path: str, verb: str, operation: Schema) -> str:
    """An operation as a method of the client."""
    asked = operation.get("parameters", [])
    content = operation.get("requestBody", {}).get("content", {})
    arguments = [*_parameters(asked), *_parts(content)]
    answer, answered = _answer(operation)
    route = path
    for each in asked:
        if each["in"] == "path":
            route = route.replace(f"{{{each['name']}}}", f"{{_name({each['name']})}}")
    call = [_quoted(verb), ("f" if route != path else "") + _quoted(route)]
    before: list[str] = []
    query = [each["name"] for each in asked if each["in"] == "query"]
    if query:
        before.append(f"    query = {{{', '.join(f'{_quoted(name)}: {name}' for name in query)}}}")
        call.append("query=query")
    if JSON in content:
        before.append("    content = json.dumps(body).encode()")
        call += ["body=content", f"kind={_quoted(JSON)}"]
    elif FORM in content:
        before += _filled(content[FORM]["schema"])
        call += ["body=body", "kind=kind"]
    asking = f"self.ask({', '.join(call)})"
    summary = f"{operation['summary']} {operation['description']}"
    return "\n".join([
        *_signature(operation["operationId"], arguments, answer),
        *_doc(" ".join(summary.split())),
        *before,
        *(f"    {line.replace('ASKED', asking)}" for line in answered),
        "",
    ])  # fmt: skip


def _parameters(asked: list[Schema]) -> Iterator[str]:
    for each in asked:
        kind = python_type(each["schema"])
        default = each["schema"].get("default")
        yield f"{each['name']}: {kind}" + ("" if each["required"] else f" = {_literal(default)}")


def _parts(content: Schema) -> Iterator[str]:
    """A body's arguments: JSON as a whole, a form's files each by its name."""
    if JSON in content:
        yield f"body: {python_type(content[JSON]['schema'])}"
    elif FORM in content:
        form = content[FORM]["schema"]
        for name, each in form["properties"].items():
            needed = name in form["required"]
            yield f"{name}: {python_type(each)}" + ("" if needed else " | None = None")


def _filled(form: Schema) -> Iterator[str]:
    """Statements that fill in a form."""
    yield "    files: list[tuple[str, bytes]] = []"
    for name, each in form["properties"].items():
        if each["type"] == "array":
            yield f"    files += [({_quoted(name)}, each) for each in {name}]"
        else:
            yield f"    files += [({_quoted(name)}, {name})] if {name} is not None else []"
    yield "    body, kind = _form(files)"


def _answer(operation: Schema) -> tuple[str, list[str]]:
    """What a method returns, and the statements that end it; ASKED stands for the request."""
    content = next(each for code, each in operation["responses"].items() if code[0] == "2").get("content")
    if not content:
        return "None", ["ASKED"]
    if list(content) != [JSON]:
        return "bytes", ["return ASKED"]
    kind = python_type(content[JSON]["schema"])
    return kind, ["answer = ASKED", f"return cast({kind}, json.loads(answer))"]


def _signature(name: str, arguments: list[str], answer: str) -> list[str]:
    whole = f"def {name}(self{''.join(f', {each}' for each in arguments)}) -> {answer}:"
    if len(whole) < WIDTH:
        return [whole]
    wrapped = [line for each in arguments for line in wrap(f"{each},", WIDTH, subsequent_indent="    ")]
    return [f"def {name}(", "    self,", *(f"    {line}" for line in wrapped), f") -> {answer}:"]


def _doc(text: str) -> list[str]:
    """The first paragraph of a description, as a docstring four columns in."""
    lines = wrap(" ".join(text.partition("\n\n")[0].split()), WIDTH - 8, break_on_hyphens=False)
    if len(lines) == 1:
        return [f'    """{lines[0]}"""']
    return [f'    """{lines[0]}', *(f"    {line}" for line in lines[1:]), '    """']


def _quoted(word: str) -> str:
    return json.dumps(word, ensure_ascii=False)


def _literal(value: object) -> str:
    return _quoted(value) if isinstance(value, str) else repr(value)


if __name__ == "__main__":
    source, target = map(Path, sys.argv[1:])
    target.write_text(client(json.loads(source.read_text(encoding="utf-8"))), encoding="utf-8")
