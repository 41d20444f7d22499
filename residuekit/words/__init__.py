"""Codes and numbers -> sentences: the only room in which sentences about results are made."""
