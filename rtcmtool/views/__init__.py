"""State and findings to people and files: text, JSON, tables, pages.

Views take their width from the caller and never ask the terminal, a clock or a file.
"""
