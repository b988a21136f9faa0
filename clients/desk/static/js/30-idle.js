// Locks a shared computer when nobody uses it: the service does so by itself;
// this hides what stands on the screen at the same time.
(function () {
  'use strict';
  var limit = Number(document.body.dataset.idle || 0) * 1000;
  if (!limit) return;
  var note = document.querySelector('[data-idle-note]'), last = Date.now(), told = Date.now();
  function alive() {
    last = Date.now();
    note.hidden = true;
    // Somebody who only reads and scrolls is at work too: the service is told
    // now and then.
    if (last - told > Math.min(limit / 3, 60000)) { told = last; fetch('/stay', { method: 'POST', credentials: 'same-origin' }).catch(function () {}); }
  }
  ['pointerdown', 'pointermove', 'keydown', 'scroll', 'touchstart'].forEach(function (e) { window.addEventListener(e, alive, { passive: true }); });
  setInterval(function () {
    // A visit runs on this page: somebody stands at the chair, with gloves on.
    if (document.querySelector('[data-attended]')) alive();
    var idle = Date.now() - last;
    note.hidden = idle < limit - 60000 || limit < 120000;
    if (idle >= limit) location.assign('/sign-in?why=SESSION_IDLE&back=' + encodeURIComponent(location.pathname + location.search));
  }, 1000);
})();
