"""Which column of a file is which column of the glossary: as named, or as proposed."""
