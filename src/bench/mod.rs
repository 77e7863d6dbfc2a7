//! Replay of clips, scoring against truth, reports.
