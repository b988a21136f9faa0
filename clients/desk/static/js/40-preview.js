// Shows what follows from a form while one answers it: sends it as the "show"
// button would, and puts in the parts of the answer that are marked for it.
(function () {
  'use strict';
  var form = document.querySelector('form[data-preview]');
  if (!form || !window.fetch) return;
  var pending = 0, running = null;
  // The message beside each field comes and goes with what stands in it.
  function besideFields(page) {
    form.querySelectorAll('.field').forEach(function (old) {
      var input = old.querySelector('input[id],select[id],textarea[id]'), same = input && page.getElementById(input.id), fresh = same && same.closest('.field');
      if (!fresh) return;
      var was = old.querySelector('.say-wrong'), is = fresh.querySelector('.say-wrong');
      if (was && is) was.textContent = is.textContent;
      else if (was) was.remove();
      else if (is) old.appendChild(document.importNode(is, true));
      old.classList.toggle('wrong', !!is);
      ['aria-invalid', 'aria-describedby'].forEach(function (a) {
        if (same.hasAttribute(a)) input.setAttribute(a, same.getAttribute(a)); else input.removeAttribute(a);
      });
    });
  }
  function show() {
    if (running) running.abort();
    running = new AbortController();
    var sent = new URLSearchParams(new FormData(form));
    sent.set('do', 'show');
    fetch(form.action, { method: 'POST', body: sent, credentials: 'same-origin', signal: running.signal }).then(function (r) {
      if (r.redirected && /\/sign-in/.test(r.url)) { location.assign(r.url); throw 0; }
      return r.status === 200 || r.status === 422 ? r.text() : Promise.reject(r.status);
    }).then(function (text) {
      var page = new DOMParser().parseFromString(text, 'text/html');
      besideFields(page);
      document.querySelectorAll('[data-part][id]').forEach(function (old) {
        var fresh = page.getElementById(old.id);
        // The id of the request stays that of this form.
        if (!fresh || old.id === 'say-problem' || old.innerHTML === fresh.innerHTML) return;
        var open = Array.prototype.map.call(old.querySelectorAll('details[open][id]'), function (d) { return d.id; });
        old.innerHTML = fresh.innerHTML;
        open.forEach(function (id) { var d = document.getElementById(id); if (d) d.open = true; });
      });
    }).catch(function () { /* the answer before stays; the next one comes with the next change */ });
  }
  form.addEventListener('input', function () { clearTimeout(pending); pending = setTimeout(show, 350); });
  form.addEventListener('submit', function () { clearTimeout(pending); if (running) running.abort(); });
})();
