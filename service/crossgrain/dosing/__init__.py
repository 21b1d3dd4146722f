"""Preparations, bases, regimens, tablets, kinetics and the titration plan.

Pure: nothing here knows FHIR, HTTP, files or the clock. Doses are exact
(`fractions.Fraction`) until they reach the kinetics; time is whole days from day 0.
"""
