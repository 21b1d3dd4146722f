"""A record of R4 in the shape of R5 (HL7, R5: the page of each resource, "R4 Diff")."""

from copy import deepcopy


def as_r5(record):
    changed = deepcopy(record)
    for entry in changed["entry"]:
        resource = entry["resource"]
        if "medicationCodeableConcept" in resource:
            resource["medication"] = {"concept": resource.pop("medicationCodeableConcept")}
        if reasons := [
            *({"concept": code} for code in resource.pop("reasonCode", ())),
            *({"reference": named} for named in resource.pop("reasonReference", ())),
        ]:
            resource["reason"] = reasons
        if resource["resourceType"] == "MedicationStatement":
            resource["status"] = "recorded"
        if "detectedIssue" in resource:
            issues = resource.pop("detectedIssue")
            resource["supportingInformation"] = [
                *resource.get("supportingInformation", ()),
                *issues,
            ]
        if resource["resourceType"] == "ServiceRequest":
            resource["code"] = {"concept": resource["code"]}
            if "supportingInfo" in resource:
                resource["supportingInfo"] = [
                    {"reference": info} for info in resource["supportingInfo"]
                ]
            told = resource.pop("patientInstruction")
            resource["patientInstruction"] = [{"instructionMarkdown": told}]
        if resource["resourceType"] == "Task" and "restriction" in resource:
            resource["requestedPeriod"] = resource.pop("restriction")["period"]
        if resource["resourceType"] == "CarePlan":
            if "addresses" in resource:
                resource["addresses"] = [{"reference": named} for named in resource["addresses"]]
            references = (activity["reference"]["reference"] for activity in resource["activity"])
            resource["activity"] = [
                {
                    "plannedActivityReference": {
                        "reference": named.replace("RequestGroup/", "RequestOrchestration/")
                    }
                }
                for named in references
            ]
    return changed
