"""Which column of a file is likely which column of the glossary, where none is named."""
