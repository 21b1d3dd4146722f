"""The use cases: one record in, a proposal or a judgement out. Pure; nothing here knows HTTP."""
