"""Which answer did the person give to a question whose answers are drawn?"""

from __future__ import annotations

from base64 import b64encode
from collections.abc import Callable, Collection

import streamlit as st

from diagnose.report.answer_drawings import drawing_of
from diagnose.signs import Word

UNKNOWN = "?"  # the answer of somebody who cannot tell

_HTML = """<div role="group" aria-labelledby="asked"><h2 id="asked" tabindex="-1"></h2><p></p>
<div class="folded"></div><div class="answers"></div>
<details><summary>Another animal, not known to live there</summary><div class="answers"></div></details></div>"""
_CSS = """
:host, div { color: var(--st-text-color); font-family: system-ui, 'Segoe UI', Roboto, sans-serif; }
h2 { font-size: 1.1rem; line-height: 1.3; margin: 0 0 .15rem; }
h2:focus { outline: none; }
p { font-size: .88rem; line-height: 1.3; margin: 0 0 .45rem; }
.answers, .choices { display: grid; grid-template-columns: repeat(auto-fill, minmax(6.6rem, 1fr)); gap: .4rem; }
button { display: flex; flex-direction: column; align-items: center; justify-content: center; gap: .2rem; min-height: 44px;
         padding: .3rem; border: 1px solid #7C8783; border-radius: 6px; background: var(--st-background-color);
         color: var(--st-text-color); font: .82rem/1.2 system-ui, 'Segoe UI', Roboto, sans-serif; cursor: pointer;
         overflow-wrap: anywhere; touch-action: manipulation; }
button img { width: 100%; height: 2.9rem; background: #FFF; border-radius: 4px; }
button:has(img) { justify-content: start; }  /* the drawings of one row stand at one height */
button:hover { border-color: var(--st-primary-color); }
button:focus-visible { outline: 3px solid var(--st-primary-color); outline-offset: 1px; }
.done { font-weight: 700; }
details { margin-top: .5rem; }
summary { box-sizing: border-box; min-height: 44px; padding: .7rem .3rem; font-size: .9rem; cursor: pointer; }
.folded:not(:empty) { display: grid; gap: .4rem; margin-bottom: .4rem; }
.folded details { margin: 0; border: 1px solid #7C8783; border-radius: 6px; }
.folded summary { padding: .7rem .6rem; line-height: 1.3; }
.folded summary::marker { color: var(--st-primary-color); }
.folded .choices { padding: 0 .4rem .4rem; }
summary:focus-visible { outline: 3px solid var(--st-primary-color); outline-offset: 1px; }
button[aria-pressed=true] { background: #14594F; color: #FFF; }
@media (min-width: 700px) { button { font-size: .92rem; } button img { height: 4.2rem; } }
"""
# the next question is brought under the verdict, which stays in sight, where it would lie off the screen
_JS = """
const HEAD = 60;

export default function({ parentElement, data, setTriggerValue }) {
    const group = parentElement.querySelector('[role=group]');
    const heading = group.querySelector('h2');
    const before = group.dataset.asked;
    if (before === data.name) return;
    group.dataset.asked = data.name;
    heading.textContent = data.question;
    group.querySelector('p').textContent = data.help;
    const [answers, further] = group.querySelectorAll('.answers');
    const made = ([key, words, drawing]) => {
        const button = document.createElement('button');
        button.type = 'button';
        if (drawing) {
            const img = document.createElement('img');
            img.alt = '';
            img.src = drawing;
            button.appendChild(img);
        }
        button.appendChild(Object.assign(document.createElement('span'), { textContent: words }));
        button.onclick = () => {
            if (data.several && !data.alone.includes(key)) {
                button.setAttribute('aria-pressed', button.getAttribute('aria-pressed') !== 'true');
                return;
            }
            group.querySelectorAll('button').forEach(other => other.setAttribute('aria-pressed', other === button));
            setTriggerValue('answer', [data.name, key]);
        };
        button.dataset.key = key;
        return button;
    };
    const isElsewhere = ([key]) => data.elsewhere.includes(key);
    const there = data.choices.filter(one => !isElsewhere(one)), folded = data.folded.flatMap(([, keys]) => keys);
    group.querySelector('.folded').replaceChildren(...data.folded.flatMap(([words, keys]) => {
        const some = there.filter(([key]) => keys.includes(key));
        if (!some.length) return [];
        const part = document.createElement('details'), choices = document.createElement('div');
        choices.className = 'choices';
        choices.replaceChildren(...some.map(made));
        part.append(Object.assign(document.createElement('summary'), { textContent: words }), choices);
        return [part];
    }));
    answers.replaceChildren(...there.filter(([key]) => !folded.includes(key)).map(made));
    further.replaceChildren(...data.choices.filter(isElsewhere).map(made));
    further.parentElement.hidden = !data.elsewhere.length;
    further.parentElement.open = false;
    if (data.several) {
        const done = document.createElement('button');
        done.type = 'button';
        done.className = 'done';
        done.textContent = 'That is all';
        done.onclick = () => {
            const found = [...group.querySelectorAll('[aria-pressed=true]')].map(button => button.dataset.key);
            if (found.length) setTriggerValue('answer', [data.name, found]);
        };
        answers.appendChild(done);
    }
    if (!before && !data.bring) return;
    heading.focus({ preventScroll: true });
    requestAnimationFrame(() => {
        const verdict = document.querySelector('.st-key-verdict');
        const covered = HEAD + (verdict ? verdict.getBoundingClientRect().height : 0) + 8;
        const box = group.getBoundingClientRect();
        if (box.top >= covered && box.bottom <= window.innerHeight) return;
        group.style.scrollMarginTop = `${covered}px`;
        group.scrollIntoView({ block: 'start' });
    });
}
"""
_answers = st.components.v2.component("diagnose_answers", html=_HTML, css=_CSS, js=_JS)


@st.cache_data(show_spinner=False)
def _choices(name: str, _word: Word) -> list[tuple[str, str, str]]:
    """Key, words and drawing of each answer; the drawing is empty where there is none."""
    drawn = {choice: drawing_of(name, choice) for choice in _word.choices}
    return [(choice, words, "" if (svg := drawn[choice]) is None else
             f"data:image/svg+xml;base64,{b64encode(svg.encode()).decode()}") for choice, words in _word.choices.items()]


def ask(
    word: Word, key: str, take: Callable[[str, str | list[str]], None], elsewhere: Collection[str] = (), bring: bool = False
) -> None:
    """Shows a question with its answers as buttons, drawn where there is a drawing.

    Parameters
    ----------
    word
        Of the vocabulary, with a question [no unit].
    key
        Tells these buttons from the others on the page [no unit].
    take
        Is given the name of the question that was answered, and the answer's key, or the keys of all that was found where
        several may hold, `UNKNOWN` for "don't know", before the page is drawn anew [no unit].
    elsewhere
        Choices that name what does not live there, folded away [no unit].
    bring
        Is it brought into sight though no other question stood here before? [no unit]
    """
    def given() -> None:
        if (told := st.session_state[key].answer) is not None:
            name, said = told
            take(str(name), [str(one) for one in said] if isinstance(said, list) else str(said))

    choices = [*_choices(word.name, word), (UNKNOWN, "did not look" if word.several else "don't know", "")]
    shown = {"name": word.name, "question": word.question, "help": word.help, "choices": choices,
             "several": word.several, "alone": ["none", UNKNOWN], "elsewhere": list(elsewhere),
             "bring": bring, "folded": [[words, list(choices)] for words, choices in word.folded.items()]}
    _answers(data=shown, key=key, on_answer_change=given)
