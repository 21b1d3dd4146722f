"""Doses, dates and medicines in plain words, as a patient or a prescriber reads them."""
