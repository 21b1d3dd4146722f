"""The plan sheet: one self-contained page, a part for the prescriber and one for the patient."""
