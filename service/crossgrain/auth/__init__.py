"""Who may call. Two mechanisms that share nothing but the signature check.

CDS Hooks routes take the token that a CDS client signs for one call; FHIR routes take an OAuth
access token. Neither is of any use at the other's routes.
"""
