// The password can be shown while it is typed.
document.querySelector("[data-show]").addEventListener("change", (event) => {
  document.getElementById("password").type = event.target.checked ? "text" : "password";
});
