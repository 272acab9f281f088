"""The account of a specimen: findings from a reading, their prose, and the files that keep them."""

from __future__ import annotations

from .build import build_account
from .codec import account_from_json, account_to_dict, account_to_json
from .folder import load_account, write_folder
from .methods import Method, methods
from .prose import CAUTIONS, account_text
from .records import SCHEMA, Account, Evidence, Finding, MadeBy, ScanFacts, Source, View
from .schema import schema
from .tables import dentition_csv

__all__ = [
    "CAUTIONS",
    "SCHEMA",
    "Account",
    "Evidence",
    "Finding",
    "MadeBy",
    "Method",
    "ScanFacts",
    "Source",
    "View",
    "account_from_json",
    "account_text",
    "account_to_dict",
    "account_to_json",
    "build_account",
    "dentition_csv",
    "load_account",
    "methods",
    "schema",
    "write_folder",
]
