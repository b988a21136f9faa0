// Small helps for forms and keys; every page works without them.
(function () {
  'use strict';
  var busy = document.body.dataset.busyText || '';
  document.addEventListener('submit', function (e) {
    var form = e.target;
    if (form.dataset.sent) { e.preventDefault(); return; }
    if (form.method === 'get') return;
    form.dataset.sent = '1';
    var button = e.submitter;
    setTimeout(function () {
      if (!button || !busy) return;
      button.setAttribute('aria-busy', 'true');
      button.dataset.text = button.textContent;
      button.textContent = busy;
    }, 250);
  });
  window.addEventListener('pageshow', function (e) {
    document.querySelectorAll('form[data-sent]').forEach(function (f) { delete f.dataset.sent; });
    document.querySelectorAll('button[aria-busy]').forEach(function (b) { b.removeAttribute('aria-busy'); if (b.dataset.text) b.textContent = b.dataset.text; });
  });
  document.addEventListener('keydown', function (e) {
    var at = e.target instanceof Element ? e.target : document.body;
    if (e.ctrlKey || e.metaKey || e.altKey || at.closest('input,textarea,select')) return;
    // Enter is for what has the focus, an arrow for the box that it scrolls.
    if (e.key === 'Enter' && at.closest('a,button,summary') || /^Arrow/.test(e.key) && at.closest('.wide')) return;
    var found = document.querySelector('[data-key="' + CSS.escape(e.key) + '"]');
    if (!found) return;
    e.preventDefault();
    if (/^(A|BUTTON)$/.test(found.tagName)) found.click(); else { found.focus(); if (found.select) found.select(); }
  });
  // A form that changes what the page shows is sent as soon as something is chosen.
  document.addEventListener('change', function (e) {
    var form = e.target.form;
    if (form && form.dataset.auto !== undefined) form.requestSubmit();
  });
  document.querySelectorAll('[data-print]').forEach(function (b) { b.hidden = false; b.addEventListener('click', function () { window.print(); }); });
  var problem = document.getElementById('problem');
  if (problem) problem.focus();
})();
