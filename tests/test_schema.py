"""The JSON Schema that editors complete by."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
import yaml

from advisor.knowledge.vocabulary import schema

KNOWLEDGE = Path(__file__).parent.parent / "knowledge"


def test_the_schema_beside_the_knowledge_is_the_one_of_the_program() -> None:
    """`advisor schema > knowledge/schema.json` was run after the last change of the language."""
    assert json.loads((KNOWLEDGE / "schema.json").read_text(encoding="utf-8")) == schema()


@pytest.mark.parametrize("file", sorted(KNOWLEDGE.rglob("*.yaml")), ids=lambda file: file.stem)
def test_shipped_files_are_valid_by_it(file: Path) -> None:
    """An editor that checks by the schema leaves the shipped files in peace."""
    document = yaml.safe_load(file.read_text(encoding="utf-8"))
    assert list(jsonschema.Draft202012Validator(schema()).iter_errors(document)) == []


def test_a_misspelt_word_is_not_valid_by_it() -> None:
    """An editor underlines what the program would refuse."""
    document = {"language": 1, "falts": {}}
    assert list(jsonschema.Draft202012Validator(schema()).iter_errors(document))
