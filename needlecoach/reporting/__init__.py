"""Turns a scorecard into something to look at: tables, charts, a page, a replay, a folder."""
