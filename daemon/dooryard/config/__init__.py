"""TOML with file and line: what both the policy and the box file are read with.

toml_document  a text and its tables; what is not TOML at all
toml_lines     on which line a key stands; toml_depth finds keys of far too many parts
validation     pydantic's findings as sentences, each with its line and its remedy
file_kind      whether a file is a policy or a box file
secrets        where a secret is, and what stands there
"""
