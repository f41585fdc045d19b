"""Can what stands on a page be read: whole, and how far does it stand out from its ground?"""

from __future__ import annotations

from typing import Any

ENOUGH = 7.0  # contrast that WCAG 2.2 asks for at level AAA (1.4.6): for what is read in the sun
_ROOM_PX = 2.0  # by which lettering may reach over an edge: rounding, and the rims of letters
# Each piece of text and each control is held against every element round it that cuts off what reaches over its edge. What
# can be scrolled to is not cut off. Tables that are a canvas scroll in themselves and are no text to a browser.
_CUT_OFF = """room => {
    const wide = document.documentElement.clientWidth, found = new Set();
    const round = node => node.assignedSlot || node.parentElement || node.getRootNode().host || null;
    const tell = (how, words) => found.add(`${how}: ${words.trim().replace(/\\s+/g, ' ').slice(0, 60)}`);
    const CONTROLS = 'button, input, textarea, img, a, summary';
    const NO_TEXT = 'script, style, title, [data-testid=stIconMaterial], [data-testid=stDataFrame], [data-testid=stSidebar]';
    const look = (words, element, boxes, own) => {
        let across = true, down = true;
        for (let at = own ? round(element) : element; at && at !== document.documentElement; at = round(at)) {
            const style = getComputedStyle(at), edge = at.getBoundingClientRect();
            const isHidden = style.clip !== 'auto' || style.clipPath !== 'none' || edge.width <= 1 || edge.height <= 1;
            if (isHidden && !(at instanceof SVGElement)) return;  // kept for screen readers
            if (/auto|scroll/.test(style.overflowX) && at.scrollWidth > at.clientWidth) across = false;
            if (/auto|scroll/.test(style.overflowY) && at.scrollHeight > at.clientHeight) down = false;
            const isOver = (low, high, from, to) => low < from - room || high > to + room;
            if (across && /hidden|clip/.test(style.overflowX)
                && boxes.some(one => isOver(one.left, one.right, edge.left, edge.right))) return tell('cut off', words);
            if (down && /hidden|clip/.test(style.overflowY)
                && boxes.some(one => isOver(one.top, one.bottom, edge.top, edge.bottom))) return tell('cut off', words);
            if (style.position === 'fixed') break;
        }
        if (across && boxes.some(one => one.right > wide + room || one.left < -room)) tell('off the screen', words);
    };
    const walk = root => {
        const nodes = document.createTreeWalker(root, NodeFilter.SHOW_ELEMENT | NodeFilter.SHOW_TEXT);
        for (let node = nodes.nextNode(); node; node = nodes.nextNode()) {
            if (node.shadowRoot) walk(node.shadowRoot);
            const isText = node.nodeType === Node.TEXT_NODE, element = isText ? node.parentElement : node;
            const isOurs = element && !element.closest(NO_TEXT);
            if (!isOurs || !(isText ? node.textContent.trim() : element.matches(CONTROLS))) continue;
            if (!element.checkVisibility({ opacityProperty: true, visibilityProperty: true })) continue;
            const range = document.createRange();
            range.selectNodeContents(node);
            const boxes = (isText ? [...range.getClientRects()] : [element.getBoundingClientRect()])
                .filter(one => one.width > 1 && one.height > 1);
            const words = isText ? node.textContent
                : element.innerText || element.ariaLabel || element.alt || element.tagName;
            if (boxes.length) look(words, element, boxes, !isText);
            if (isText && element instanceof SVGElement && words.includes('\\u2026')) tell('shortened', words);
        }
    };
    walk(document.body);
    for (const drawn of document.querySelectorAll('svg.marks')) {
        const texts = [...drawn.querySelectorAll('text')].filter(one => one.textContent.trim() && one.checkVisibility(
            { opacityProperty: true })).map(one => [one.textContent, one.getBoundingClientRect()]);
        texts.forEach(([words, one], place) => texts.slice(place + 1).forEach(([others, other]) => {
            const across = Math.min(one.right, other.right) - Math.max(one.left, other.left);
            const down = Math.min(one.bottom, other.bottom) - Math.max(one.top, other.top);
            const isTwice = words === others && across > 0.9 * one.width;  // its halo
            if (across > room && down > 2 * room && !isTwice) tell('one over the other', `${words} / ${others}`);
        }));
    }
    return [...found];
}"""


def cut_off(page: Any) -> list[str]:
    """Words of a page that cannot be read whole as it stands, each with why.

    Parameters
    ----------
    page
        Of the browser [no unit].
    """
    found: list[str] = page.evaluate(_CUT_OFF, _ROOM_PX)
    return found


# colours over each other as they are drawn; the contrast ratio is that of WCAG 2.2, from relative luminance
_CONTRAST = """selector => {
    const dot = document.createElement('canvas').getContext('2d', { willReadFrequently: true });
    const drawn = colour => {
        dot.clearRect(0, 0, 1, 1);
        dot.fillStyle = colour;
        dot.fillRect(0, 0, 1, 1);
        const [red, green, blue, alpha] = dot.getImageData(0, 0, 1, 1).data;
        return [red, green, blue, alpha / 255];
    };
    const over = (top, below) => [0, 1, 2].map(k => top[k] * top[3] + below[k] * (1 - top[3])).concat(1);
    const luminance = colour => {
        const [red, green, blue] = colour.map(value => value / 255)
            .map(value => value <= 0.04045 ? value / 12.92 : ((value + 0.055) / 1.055) ** 2.4);
        return 0.2126 * red + 0.7152 * green + 0.0722 * blue;
    };
    const round = node => node.assignedSlot || node.parentElement || node.getRootNode().host || null;
    const ground = element => {
        const layers = [];
        for (let at = element; at; at = round(at)) layers.unshift(drawn(getComputedStyle(at).backgroundColor));
        return layers.reduce((below, top) => over(top, below), [255, 255, 255, 1]);
    };
    const found = [];
    const walk = root => root.querySelectorAll('*').forEach(element => {
        if (element.shadowRoot) walk(element.shadowRoot);
        if (![...element.childNodes].some(one => one.nodeType === Node.TEXT_NODE && one.textContent.trim())) return;
        let within = element;
        while (within && !within.matches(selector)) within = round(within);
        if (!within || !element.checkVisibility({ opacityProperty: true, visibilityProperty: true })) return;
        const below = ground(element), ink = over(drawn(getComputedStyle(element).color), below);
        const [high, low] = [luminance(ink), luminance(below)].sort((one, other) => other - one);
        found.push([(high + 0.05) / (low + 0.05), element.textContent.trim().slice(0, 60)]);
    });
    walk(document.body);
    return found;
}"""


def contrasts(page: Any, selector: str) -> dict[str, float]:
    """Words of each element that is or lies in what is selected -> the contrast with its ground [1 to 21].

    Parameters
    ----------
    page
        Of the browser [no unit].
    selector
        In CSS; it may lie in a component [no unit].
    """
    return {words: ratio for ratio, words in page.evaluate(_CONTRAST, selector)}
