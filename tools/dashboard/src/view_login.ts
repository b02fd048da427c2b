// A broker may want to know who reads. What is typed stays in this page's memory.
import { el, show } from "./dom";

export class LoginView {
  readonly root: HTMLElement;
  private readonly user = el("input", { id: "user", autocomplete: "username", required: "" });
  private readonly password = el("input", { id: "password", type: "password", autocomplete: "current-password" });

  constructor(enter: (username: string, password: string) => void) {
    const form = el("form", { class: "login" }, el("p", {}, "The broker wants to know who reads."),
      el("label", { for: "user" }, "User"), this.user, el("label", { for: "password" }, "Password"), this.password,
      el("button", { type: "submit" }, "Connect"));
    form.addEventListener("submit", (event) => {
      event.preventDefault();
      enter(this.user.value, this.password.value);
    });
    this.root = form;
    this.root.hidden = true;
  }

  show(wanted: boolean): void {
    show(this.root, wanted);
  }
}
