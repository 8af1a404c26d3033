"""The page to sign in by, as HTML."""

from __future__ import annotations

from html import escape

from dashboard.access.gate import SIGN_IN
from logger.safety_words import SAFETY_WORDS

_LONGEST_NAME = 100

_PAGE = """<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Sign in · Slewtrace</title>
<link rel="icon" type="image/svg+xml" href="/assets/favicon.svg">
<link rel="stylesheet" href="/assets/base.css">
<link rel="stylesheet" href="{sign_in}/page.css">
<script src="{sign_in}/page.js"></script>
</head>
<body>
<header class="bar"><span class="brand"><span class="mark" aria-hidden="true"></span>
<span>Slewtrace</span></span></header>
<main class="sign-in">
<form class="card" method="post" action="{sign_in}">
<h1>Sign in</h1>
{said}
<input type="hidden" name="next" value="{wanted}">
<div class="field">
<label for="name">Name</label>
<input id="name" name="name" type="text" value="{name}" autocomplete="username"
 autocapitalize="none" spellcheck="false" maxlength="100" required
 aria-describedby="names"{at_name}>
<p id="names" class="muted small"><strong>engineer</strong> may do everything;
<strong>witness</strong> sees everything and changes nothing.</p>
</div>
<div class="field">
<label for="password">Password</label>
<div class="with-button">
<input id="password" name="password" type="password" autocomplete="current-password"
 maxlength="1024" required{described}{at_password}>
<button id="show" class="button" type="button" aria-controls="password" aria-pressed="false"
 hidden>Show</button>
</div>
</div>
<button class="button main" type="submit">Sign in</button>
<p class="muted small">On a screen that others use too, sign out when you go.</p>
</form>
</main>
<footer class="safety"><strong>Caution</strong> {safety}</footer>
</body>
</html>
"""


def sign_in_page(wanted: str, *, name: str = "", problem: str = "", news: str = "") -> str:
    """The page.

    Args:
        wanted: the path to go on to.
        name: what was typed as a name before.
        problem: why nobody is signed in, one or two sentences.
        news: what happened before, when nothing is wrong.
    """
    said = ""
    if problem:
        said = f'<p id="problem" class="invalid" role="alert">✖ {escape(problem)}</p>'
    elif news:
        said = f'<p class="news" role="status">{escape(news)}</p>'
    shown = name[:_LONGEST_NAME]
    return _PAGE.format(
        sign_in=SIGN_IN,
        said=said,
        wanted=escape(wanted),
        name=escape(shown),
        at_name="" if shown else " autofocus",
        at_password=" autofocus" if shown else "",
        described=' aria-describedby="problem" aria-invalid="true"' if problem else "",
        safety=escape(SAFETY_WORDS),
    )
