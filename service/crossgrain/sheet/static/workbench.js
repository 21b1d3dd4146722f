(() => {
  "use strict";
  const byId = (id) => document.getElementById(id);
  const FHIR = "application/fhir+json";
  const options = ["target", "basis", "pace", "prior-therapy", "weekly-pattern", "as-of"];
  const example = byId("example"), pasted = byId("pasted"), state = byId("state");
  let turn = 0, timer = 0;

  const query = () => {
    const given = new URLSearchParams();
    for (const name of options) if (byId(name).value) given.set(name, byId(name).value);
    return given.toString();
  };
  const contentType = () => FHIR + (byId("version").value === "r5" ? "; fhirVersion=5.0" : "");
  const token = () => byId("token").value ? { Authorization: "Bearer " + byId("token").value } : {};
  const isOwn = () => !example || example.value === "";
  const record = async () => {
    if (isOwn()) return pasted.value;
    const sent = await fetch("/examples/" + encodeURIComponent(example.value));
    return sent.text();
  };

  const command = () => {
    const from = isOwn() ? "@record.json" : "@-";
    const first = isOwn() ? "" : "curl -sS '" + location.origin + "/examples/" + example.value + "' | ";
    return first + "curl -sS '" + location.origin + "/fhir/" + byId("version").value +
      "/$propose-switch?" + query() + "' -H 'Content-Type: " + FHIR + "'" +
      (byId("token").value ? ' -H "Authorization: Bearer $TOKEN"' : "") + " --data-binary " + from;
  };

  const post = (path, accept, body) => fetch(path + "?" + query(), {
    method: "POST", body, headers: { "Content-Type": contentType(), Accept: accept, ...token() },
    cache: "no-store", referrerPolicy: "no-referrer",
  });

  const refuse = (outcome) => {
    const list = document.createElement("ul");
    for (const issue of outcome.issue) {
      const item = document.createElement("li");
      item.textContent = issue.diagnostics + (issue.expression ? " (" + issue.expression.join(", ") + ")" : "");
      list.append(item);
    }
    const heading = document.createElement("h2");
    heading.textContent = "The call is refused";
    byId("refused").replaceChildren(heading, list);
  };

  const ask = async () => {
    const mine = ++turn;
    byId("curl").textContent = command();
    if (isOwn() && !pasted.value.trim()) {
      state.textContent = "Paste a Bundle to begin.";
      return;
    }
    state.textContent = "Asking…";
    try {
      const body = await record();
      const began = performance.now();
      const page = await post("/sheet", "text/html", body);
      const took = Math.round(performance.now() - began);
      const answer = await post("/fhir/" + byId("version").value + "/$propose-switch", FHIR, body);
      const shown = page.ok ? await page.text() : "";
      const told = await answer.text();
      if (mine !== turn) return;
      const outcome = JSON.parse(told);
      byId("sheet").hidden = !page.ok;
      byId("refused").hidden = page.ok;
      if (page.ok) byId("sheet").srcdoc = shown;
      else refuse(outcome);
      byId("json").textContent = JSON.stringify(outcome, null, 2);
      state.textContent = page.ok ? "The sheet came in " + took + " ms." : "Refused with status " + page.status + ".";
    } catch {
      if (mine === turn) state.textContent = "The service could not be reached, or its answer not be read.";
    }
  };
  const soon = () => { clearTimeout(timer); timer = setTimeout(ask, 150); };

  const choose = () => {
    const chosen = example.selectedOptions[0];
    byId("story").textContent = chosen.dataset.story || "";
    byId("own").open = isOwn();
    if (!isOwn()) {
      byId("target").value = chosen.dataset.target;
      byId("as-of").value = chosen.dataset.asOf;
    }
  };
  if (example) { example.addEventListener("change", choose); choose(); }
  byId("call").addEventListener("submit", (event) => event.preventDefault());
  byId("call").addEventListener("change", soon);
  pasted.addEventListener("input", () => { if (example) example.value = ""; soon(); });
  for (const button of document.querySelectorAll("[data-copy]")) {
    button.addEventListener("click", async () => {
      await navigator.clipboard.writeText(byId(button.dataset.copy).textContent);
      state.textContent = "Copied.";
    });
  }
  ask();
})();
