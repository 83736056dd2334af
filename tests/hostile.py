"""Words that try to be more than words: each must come out of every page as text."""

from __future__ import annotations

MARKUP = [
    f"{before}{tag}{after}" for tag in (
        "<script>alert(1)</script>", "<img src=x onerror=alert(1)>", "<svg onload=alert(1)>", "<body onload=alert(1)>",
        "<iframe src=javascript:alert(1)></iframe>", "<details open ontoggle=alert(1)>", "<math><mi xlink:href=javascript:alert(1)>",
        "<style>@import 'http://evil.example'</style>", "<link rel=stylesheet href=http://evil.example>",
        "<meta http-equiv=refresh content=0;url=http://evil.example>", "<form action=http://evil.example><button>",
        "<input autofocus onfocus=alert(1)>", "<a href=javascript:alert(1)>x</a>", "<base href=http://evil.example>",
    ) for before, after in (("", ""), ("\"'>", "<"), ("</textarea></title></script>", "<!--"), ("x ", " y"))]
ATTRIBUTES = [
    '" onmouseover="alert(1)', "' onmouseover='alert(1)", "` onmouseover=alert(1) x=`", '" autofocus onfocus="alert(1)',
    '"><script>alert(1)</script>', "x\" style=\"background:url(http://evil.example)", "javascript:alert(1)", "data:text/html,<script>",
]
MARKDOWN = [
    "[x](javascript:alert(1))", "[x](  javascript:alert(1))", "[x](java&#x0A;script:alert(1))", "[x](JaVaScRiPt:alert(1))",
    "[x](data:text/html;base64,PHNjcmlwdD4=)", "[x](vbscript:msgbox(1))", "![x](http://evil.example/x.png)", "![x][y]\n\n[y]: http://evil.example/x.png",
    "<javascript:alert(1)>", "[x]: javascript:alert(1)\n\n[x]", "```html\n<script>alert(1)</script>\n```", "    <script>alert(1)</script>",
    "<http://evil.example/\"onmouseover=alert(1)>", "[x](http://evil.example \"\\\"onmouseover=alert(1)\")", "<div>\n\n<script>alert(1)</script>\n\n</div>",
    "&lt;script&gt;alert(1)&lt;/script&gt;", "&#60;script&#62;alert(1)&#60;/script&#62;", "<!-- --><script>alert(1)</script><!-- -->",
]
TEMPLATES = ["{{ 7 * 7 }}", "{% raw %}", "{{ visit.site.sessions.token }}", "${7*7}", "<%= 7*7 %>", "#{7*7}", "{# x #}"]
ODD = ["\u202ecilbup\u202c", "\u2028alert(1)\u2029", "\ufeff<script>", "＜script＞alert(1)＜/script＞", "x" * 300, "<" * 200, "&" * 50, "'--", "%0d%0aSet-Cookie: x=y"]

STRINGS = [*MARKUP, *ATTRIBUTES, *MARKDOWN, *TEMPLATES, *ODD]

TAGS = set("""html head meta title link script body a nav ul ol li b i p span main header div h1 h2 h3 h4 h5 h6 form label textarea
button input fieldset legend datalist option section article blockquote dl dt dd time svg line rect table caption tbody tr th td
strong em code pre hr br thead s""".split())
ATTRIBUTE_NAMES = set("""lang charset name content rel href type src defer class id aria-label aria-current aria-labelledby aria-hidden tabindex
for rows maxlength autocomplete placeholder value method action role readonly datetime list inputmode scope viewbox x y x1 x2 y1 y2
width height hidden required autocapitalize spellcheck title start""".split())
