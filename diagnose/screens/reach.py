"""What does a page say when the computer that serves it is gone, and what stays on it until it is back?"""

from __future__ import annotations

_SAID = ("The computer that this app runs on is out of reach. What you typed stays on this page, and it goes on by itself "
         "once the computer is back. Do not load the page anew until then.")
_BACK = "The computer is back."
# The framework's own message speaks of itself and of the internet and lies over the page; ours stands at the foot and leaves
# the page to be read. A short gap is not told: phones change between two antennas.
_SCRIPT = """
<style>
#reach { position: fixed; left: 0; right: 0; bottom: 0; z-index: 999999; padding: .8rem 1rem;
         font: 600 1rem/1.35 system-ui, sans-serif;
         color: #FFF; background: #7A1212; border-top: 3px solid #FFF; }
#reach.back { background: #14594F; }
body.away [data-baseweb="modal"], body.away [role="dialog"] { display: none !important; }
</style>
<script>
if (!window.reachWatched) {
    window.reachWatched = true;
    const SAID = '@said', BACK = '@back', PATIENCE_MS = 2500, BACK_MS = 4000;
    let waiting = null;
    const note = words => {
        let at = document.getElementById('reach');
        if (!at) {
            at = document.createElement('div');
            at.id = 'reach';
            at.setAttribute('role', 'alert');
            document.body.appendChild(at);
        }
        at.textContent = words;
        return at;
    };
    const look = () => {
        const app = document.querySelector('[data-testid=stApp]');
        const here = !app || ['CONNECTED', 'INITIAL', 'CONNECTING'].includes(app.dataset.testConnectionState);
        if (!here && !waiting) {
            document.body.classList.add('away');
            waiting = setTimeout(() => { note(SAID).classList.remove('back'); }, PATIENCE_MS);
        } else if (app && app.dataset.testConnectionState === 'CONNECTED' && waiting) {
            clearTimeout(waiting);
            waiting = null;
            document.body.classList.remove('away');
            if (document.getElementById('reach')) {
                const at = note(BACK);
                at.classList.add('back');
                setTimeout(() => { if (!waiting) at.remove(); }, BACK_MS);
            }
        }
    };
    new MutationObserver(look).observe(document.body,
        { subtree: true, attributes: true, attributeFilter: ['data-test-connection-state'] });
}
</script>
"""


AWAY = _SCRIPT.replace("@said", _SAID).replace("@back", _BACK)  # goes onto every page beside its style
