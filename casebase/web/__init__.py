"""The pages for phone, tablet and desk, and JSON for other programs. No logic of its own: it asks `CaseBase`."""
