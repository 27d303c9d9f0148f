"""Logs of harvest, climate and mist, read with an account of every row."""
