// Nobody is signed in here, or the session at the chair is over: no page of a bedside stays in this browser. Entries that
// are not saved yet stay; they hold no name, and are sent once the person who made them signs in again.
const KEPT = "ebbline-run ";

if (window.caches) {
  for (const name of await caches.keys()) if (name.startsWith(KEPT)) await caches.delete(name);
}
if (navigator.serviceWorker) {
  for (const one of await navigator.serviceWorker.getRegistrations()) if (one.scope.endsWith("/run/")) await one.unregister();
}
