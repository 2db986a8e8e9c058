"""Verbs that look, or see to what was seen: status, ledger, digest, page, quiet, alert-test."""
