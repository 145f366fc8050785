"""The crew's list as a page that works without a network."""

import re
from html.parser import HTMLParser

from reports import retestlist
from tests.reports import sample


class _Page(HTMLParser):
    def __init__(self):
        super().__init__()
        self.tags, self.addresses, self.text = [], [], []

    def handle_starttag(self, tag, attributes):
        self.tags.append(tag)
        self.addresses += [v for k, v in attributes if k in ("src", "href", "action")]

    def handle_data(self, data):
        self.text.append(data)


def _page(count=100, **changes):
    evaluation = sample.evaluation(count)
    html = retestlist.page(evaluation, sample.particulars(**changes)).decode()
    page = _Page()
    page.feed(html)
    return evaluation, html, page


def test_every_place_is_on_the_list_once_in_walking_order():
    evaluation, _, page = _page()
    places = evaluation.retests.drop_duplicates(["panel", "port", "link_id", "direction"])
    assert page.tags.count("input") == len(places)
    text = " ".join(page.text)
    order = [text.index(link) for link in places["link_id"]]
    assert order == sorted(order)


def test_the_page_needs_nothing_from_outside():
    _, html, page = _page()
    assert page.addresses == []
    assert "script" not in page.tags
    assert "url(" not in html


def test_wavelengths_of_one_port_share_a_line():
    _, _, page = _page()
    assert re.search(r"\d+ \+ \d+ nm,", " ".join(page.text))


def test_a_caution_stands_before_the_work_and_claims_no_safety():
    _, _, page = _page()
    text = " ".join(page.text)
    assert text.index("never look into a fibre") < text.index("Measure")
    assert "No reading does not mean no light" in text


def test_labels_are_text_and_nothing_else():
    _, html, _ = _page(job="<script>alert(1)</script>")
    assert "<script>" not in html
    assert "&lt;script&gt;" in html
