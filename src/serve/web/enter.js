import { ask, byId, sentence } from "/common.js";

byId("code").focus();
byId("enter").addEventListener("submit", async (event) => {
  event.preventDefault();
  const code = byId("code").value.trim().toLowerCase();
  const answer = await ask("POST", "/api/enter", { code });
  if (answer.ok) {
    location.replace("/");
    return;
  }
  byId("wrong").textContent = sentence(answer.error);
  byId("code").setAttribute("aria-invalid", "true");
  byId("code").select();
});
