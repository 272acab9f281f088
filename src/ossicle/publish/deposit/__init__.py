"""Deposits: specimens with scans, accounts, decisions and evidence in one package that others can verify."""

from __future__ import annotations

from .receiving import receive
from .rights import LICENCES, Author, Rights, author, rights
from .verifying import Verified, verify
from .writing import write_deposit

__all__ = ["LICENCES", "Author", "Rights", "Verified", "author", "receive", "rights", "verify", "write_deposit"]
