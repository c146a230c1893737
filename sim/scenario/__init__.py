"""The scenario: file, checks, reference page, gallery."""
