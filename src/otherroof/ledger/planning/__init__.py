"""The ledger's pages that thinking ahead writes: lines that were measured, and forecasts that were made."""
