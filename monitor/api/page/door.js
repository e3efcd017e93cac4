// Signing in, setting the first password by the one-time link, and who else may look.

import { act, ask, el, field, form, site } from "./words.js";

const password = (name, autocomplete) => el("input", { type: "password", name, autocomplete, required: true, maxlength: 256 });

/** What stands in place of the answers for whoever is not signed in. */
export function drawDoor(place, me, entered) {
  place.hidden = false;
  const link = location.hash.match(/^#\/set-up\/(.+)$/);
  if (link && !me.password_set) {
    place.replaceChildren(
      el("h2", {}, "Choose the keeper's password"),
      el("p", {}, "Whoever has it may look, silence alarms and set the fan. At least 8 characters; longer is better."),
      form("Set it and come in", [field("Password", password("password", "new-password"))], async (given) => {
        await ask("/api/set-up", "POST", { token: link[1], password: given.password });
        history.replaceState(null, "", "/");
        await entered();
        return "The password is set.";
      }));
    return;
  }
  if (!me.password_set) {
    place.replaceChildren(
      el("h2", {}, "No password is set yet"),
      el("p", {}, "On the board, run ", el("code", {}, "warmstraw password"), ", or open the link that ", el("code", {}, "warmstraw watch"), " printed when it started."),
      el("p", {}, "Until then this page answers on the board itself only."));
    return;
  }
  place.replaceChildren(
    el("h2", {}, "Who is there?"),
    form("Come in", [
      // hidden, but there for password keepers that want a name to go with the password
      el("input", { type: "text", name: "who", value: "keeper", autocomplete: "username", hidden: true }),
      field("Password", password("password", "current-password")),
    ], async (given) => {
      await ask("/api/sign-in", "POST", { password: given.password });
      await entered();
      return "Come in.";
    }));
}

/** At the foot of the page: sign out, the neighbour's sign-in, a new password. */
export function drawFoot(place, me, left) {
  const parts = [el("p", {}, me.may_act ? "You are signed in as the keeper." : "You are signed in to look only. "),
    act("Sign out", async () => { await ask("/api/sign-out", "POST"); await left(); return "Signed out."; })];
  if (site.mayAct) {
    parts.push(el("details", {}, el("summary", {}, "Passwords and the neighbour"),
      form("Let the neighbour look", [field("Look-only password", password("password", "new-password"), "May see everything and change nothing.")],
        async (given, made) => { await ask("/api/look-only", "PUT", given); made.reset(); return "The neighbour may look with this password."; }),
      act("Take the neighbour's sign-in away", async () => { await ask("/api/look-only", "DELETE"); return "Nobody is left who may only look."; }),
      form("Change the keeper's password", [
        field("Present password", password("password", "current-password")),
        field("New password", password("new_password", "new-password"), "Everyone else is signed out."),
      ], async (given, made) => { await ask("/api/password", "PUT", given); made.reset(); return "The password is changed."; })));
  }
  const yard = el("p", { class: "small", hidden: true }, el("a", { href: "/yard" }, "All sites of the yard"));
  ask("/api/yard").then((told) => { yard.hidden = !told.watched; }).catch(() => {});
  parts.unshift(yard);
  parts.push(el("p", { class: "small" }, "Charts are drawn by uPlot (MIT). ", el("a", { href: "/page/licences.txt" }, "Licences")));
  place.replaceChildren(...parts);
}
