// Keeps open pages current: reads the page again when the service says that
// something changed, and puts in what differs, but never where somebody types.
(function () {
  'use strict';
  var body = document.body, practice = body.dataset.practice;
  if (!practice || !window.EventSource) return;
  var lost = document.querySelector('[data-lost]'), pending = 0, running = false, again = false, wasLost = false;

  function typing(region) {
    var at = document.activeElement;
    if (at && region.contains(at) && /^(INPUT|TEXTAREA|SELECT)$/.test(at.tagName)) return true;
    return Array.prototype.some.call(region.querySelectorAll('input,textarea,select'), function (f) {
      if (f.type === 'checkbox' || f.type === 'radio') return f.checked !== f.defaultChecked;
      if (f.tagName === 'SELECT') return Array.prototype.some.call(f.options, function (o) { return o.selected !== o.defaultSelected; }) && f.dataset.touched;
      return f.type !== 'hidden' && f.value !== f.defaultValue;
    });
  }
  function put(region, fresh) {
    if (region.innerHTML === fresh.innerHTML) return;
    var at = document.activeElement, id = at && region.contains(at) ? at.id : '';
    var open = Array.prototype.map.call(region.querySelectorAll('details[id][open]'), function (d) { return d.id; });
    region.innerHTML = fresh.innerHTML;
    open.forEach(function (o) { var d = document.getElementById(o); if (d) d.open = true; });
    if (id) { var back = document.getElementById(id); if (back) back.focus({ preventScroll: true }); }
    region.dispatchEvent(new CustomEvent('desk:fresh', { bubbles: true }));
  }
  function read() {
    if (running) { again = true; return; }
    running = true;
    fetch(location.href, { headers: { 'X-Desk-Live': '1' }, credentials: 'same-origin' }).then(function (r) {
      if (r.redirected && /\/sign-in/.test(r.url)) { location.assign(r.url); throw 0; }
      return r.ok ? r.text() : Promise.reject(r.status);
    }).then(function (text) {
      var page = new DOMParser().parseFromString(text, 'text/html');
      document.querySelectorAll('[data-live][id]').forEach(function (region) {
        var fresh = page.getElementById(region.id);
        if (!fresh) return;
        if (typing(region)) { region.setAttribute('data-stale', ''); return; }
        region.removeAttribute('data-stale');
        put(region, fresh);
      });
    }).catch(function () { /* the stream says when the connection is lost */ }).finally(function () {
      running = false;
      if (again) { again = false; soon(); }
    });
  }
  function soon() { clearTimeout(pending); pending = setTimeout(read, 120); }
  window.deskRead = soon;

  var source;
  function open() {
    source = new EventSource('/live?practice=' + encodeURIComponent(practice));
    source.addEventListener('changed', soon);
    source.addEventListener('beat', function () { if (wasLost) { wasLost = false; soon(); } lost.hidden = true; body.dataset.live = 'on'; });
    source.addEventListener('ended', function (e) { source.close(); location.assign('/sign-in?why=' + encodeURIComponent(JSON.parse(e.data).why || '') + '&back=' + encodeURIComponent(location.pathname + location.search)); });
    source.addEventListener('none', function () { source.close(); });
    source.onerror = function () {
      wasLost = true; body.dataset.live = 'off';
      setTimeout(function () { if (wasLost) lost.hidden = false; }, 1500);
      if (source.readyState === 2) setTimeout(open, 3000);
    };
  }
  open();
  // What stands in a field once somebody has chosen it counts as typed.
  document.addEventListener('change', function (e) { if (e.target.tagName === 'SELECT') e.target.dataset.touched = '1'; });
  // Clocks on the page move on by themselves.
  setInterval(function () { if (document.querySelector('[data-ticks]') && document.visibilityState === 'visible') soon(); }, 30000);
})();
