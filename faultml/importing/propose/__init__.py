"""Propose a layout for a recorder's files: what each guess rests on, and what only the coach can say."""
