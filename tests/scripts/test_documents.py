"""The page of house rules says what the program works to."""
from __future__ import annotations

import importlib.util
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


def test_the_page_of_rules_is_current() -> None:
    spec = importlib.util.spec_from_file_location("documents", ROOT / "scripts" / "documents.py")
    assert spec and spec.loader
    documents = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(documents)
    assert (ROOT / "docs" / "rules.md").read_text("utf-8") == documents.rules_page(), "run scripts/documents.py"
