"""What the page keeps still, keeps here, and brings along: on one device and on two."""

import re
import tempfile
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, expect

from tests.fake_model import FakeModel
from tests.page.conftest import Opened
from tests.page.hostile import HOSTILE
from tests.page.offline import Phone, Server, weeks
from tests.page.scenario import call
from tests.page.serving import Served, serving
from tests.page.test_the_whole_job import settled
from valuer.adviser import Adviser

REFUSED = "Failed to load resource"
PHOTO = Path(__file__).resolve().parents[2] / "api" / "page" / "icon-512.png"


@pytest.fixture(scope="session")
def adviser() -> Adviser:
    """A model one can follow by hand: what fails here is not the statistics."""
    return Adviser(FakeModel())


def top(page: Page, key: str) -> float:
    """Where something stands on the screen."""
    box = page.locator(f"[data-key='{key}']").bounding_box()
    assert box
    return box["y"]


@pytest.mark.parametrize("check", ["shields", "handle", "muffler"])
def test_what_is_tapped_stays_where_it_is(served: Served, opened: Opened, check: str) -> None:
    page = opened(served, "#/machine/rust-hole/safe").page
    settled(page)
    row = page.locator(f"[data-key={check}]")
    row.evaluate("(node) => scrollTo(0, node.getBoundingClientRect().top + scrollY - 300)")
    page.wait_for_timeout(250)
    before = top(page, check)
    row.get_by_role("button", name="passed").click()
    expect(row.locator(".state")).to_have_text("passed")
    settled(page)
    page.wait_for_timeout(200)
    assert abs(top(page, check) - before) < 1
    assert row.locator("button:focus").count() == 1, "the focus stays on the button"
    expect(page.locator("#line-safe")).to_be_visible()


def test_a_line_has_an_address_and_the_way_back_leads_to_the_bench(served: Served, opened: Opened) -> None:
    page = opened(served, "#/bench").page
    settled(page)
    page.get_by_role("link", name="scraper").last.click()
    settled(page)
    page.locator("[data-line=ask]").click()
    expect(page.locator("#line-ask")).to_be_visible()
    assert page.url.endswith("#/machine/scraper/ask")
    page.locator("[data-line=worth]").click()
    expect(page.locator("#line-ask")).to_be_hidden()
    page.go_back()
    expect(page.locator("#line-ask")).to_be_visible()
    page.go_back()
    page.go_back()
    expect(page.get_by_role("heading", level=1)).to_have_text("The bench")


def test_the_bench_is_searched_sorted_and_filtered(served: Served, opened: Opened) -> None:
    page = opened(served, "#/bench").page
    settled(page)
    names = page.locator(".row .tag")
    page.get_by_label("In order of").select_option("name")
    told = names.all_inner_texts()
    assert told == sorted(told)
    page.get_by_label("Find").fill("electric start")
    expect(names).to_have_text(["night-weep", "recalled"])
    page.get_by_label("Find").fill("")
    page.get_by_label("Show", exact=True).select_option("may")
    safety = page.locator(".row-safety").all_inner_texts()
    assert safety
    assert all("may be sold" in words for words in safety)
    page.reload()  # kept on the device
    settled(page)
    assert page.locator(".row").count() == len(safety)


def test_own_terms_are_the_same_on_the_next_device(served: Served, opened: Opened) -> None:
    page = opened(served, "#/own").page
    page.get_by_label("An hour of mine is worth").fill("22,50")
    page.get_by_label("The page looks").select_option("dark")
    page.get_by_label("Currency").fill("eur")
    page.get_by_label("Currency").blur()
    page.wait_for_timeout(1200)
    kept = call(served.url, "GET", "/v1/own-terms")["own"]
    assert (kept["terms"]["hour_value"], kept["terms"]["currency"], kept["theme"]) == (22.5, "EUR", "dark")
    other = opened(served, "#/own", "desk").page
    expect(other.get_by_label("An hour of mine is worth")).to_have_value("22.5")
    assert other.evaluate("getComputedStyle(document.body).colorScheme") == "dark"


def test_two_devices_that_change_different_terms_both_keep_theirs(served: Served, opened: Opened) -> None:
    one, two = (opened(served, "#/own") for _ in range(2))
    two.expected += (REFUSED,)
    settled(one.page)
    settled(two.page)
    one.page.get_by_label("An hour of mine is worth").fill("20")
    one.page.wait_for_timeout(1200)
    two.page.get_by_label("Fee a sale").fill("3")
    two.page.wait_for_timeout(1500)
    terms = call(served.url, "GET", "/v1/own-terms")["own"]["terms"]
    assert (terms["hour_value"], terms["fee_fixed"]) == (20, 3)


def test_a_picture_is_kept_small_and_shown_on_the_machine(served: Served, opened: Opened) -> None:
    page = opened(served, "#/machine/scraper/more").page
    settled(page)
    page.locator("input[type=file]").first.set_input_files(PHOTO)
    expect(page.locator("#slip")).to_contain_text("a picture of the machine is kept")
    (kept,) = call(served.url, "GET", "/v1/machines/scraper/pictures")["pictures"]
    assert kept["size"] < 2_000_000
    page.reload()
    expect(page.locator(".thumbs img")).to_have_count(1)
    assert (
        page.locator(".thumbs img").evaluate("(image) => image.decode().then(() => image.naturalWidth)")
        == 512
    )


def test_a_file_that_is_no_picture_is_refused_in_a_line(served: Served, opened: Opened) -> None:
    page = opened(served, "#/machine/scraper/more").page
    settled(page)
    page.locator("input[type=file]").first.set_input_files(Path(__file__))
    expect(page.locator("#line-more")).to_contain_text("is no picture")


def test_a_machine_gets_another_name_and_its_old_one_back(served: Served, opened: Opened) -> None:
    page = opened(served, "#/machine/scraper/more").page
    settled(page)
    page.get_by_label("Name on its tag").fill("old-scraper")
    page.get_by_role("button", name="Call it that").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("old-scraper")
    page.get_by_role("button", name="Undo").click()
    expect(page.locator("#slip")).to_contain_text("Taken back")
    assert call(served.url, "GET", "/v1/machines/scraper")["entry"]["machine"]["id"] == "scraper"


def test_another_like_it_has_what_it_is_and_not_what_was_found(served: Served, opened: Opened) -> None:
    page = opened(served, "#/machine/scraper/more").page
    settled(page)
    page.get_by_role("button", name="Take another like it in").click()
    expect(page.get_by_label("Name on its tag")).to_have_value("scraper-2")
    page.get_by_role("button", name="Take it in").click()
    expect(page.locator("#slip")).to_contain_text("is taken in")
    machine = call(served.url, "GET", "/v1/machines/scraper-2")["entry"]["machine"]
    first = call(served.url, "GET", "/v1/machines/scraper")["entry"]["machine"]
    assert (machine["drive"], machine["age_years"]) == (first["drive"], first["age_years"])
    assert machine["faults"] == []


def test_all_that_was_written_down_today_is_taken_back(served: Served, opened: Opened) -> None:
    page = opened(served, "#/machine/scraper/safe").page
    settled(page)
    before = call(served.url, "GET", "/v1/machines/scraper")["entry"]
    for check in ("deck", "handle"):
        page.get_by_role("button", name=re.compile(f"^{check}: failed", re.IGNORECASE)).click()
        expect(page.locator(f"[data-key={check}] .state")).to_have_text("failed")
        settled(page)
    page.goto(f"{served.url}/#/own")
    page.get_by_text("Written down today").click()
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Take all 2 back").click()
    expect(page.locator("#slip")).to_contain_text("2 deeds taken back")
    assert call(served.url, "GET", "/v1/machines/scraper")["entry"] == before


def test_a_file_is_read_in_and_goes_back_at_once(served: Served, opened: Opened, tmp_path: Path) -> None:
    file = tmp_path / "sales.csv"
    file.write_text("id,drive,sold_on,price\ns1,push,2026-05-01,120\ns2,push,2026-05-02,90\n")
    before = call(served.url, "GET", "/v1/machines?which=all")["total"]
    page = opened(served, "#/own").page
    settled(page)
    page.locator("input[type=file][accept*=csv]").set_input_files(file)
    page.get_by_role("button", name="Read it in").click()
    expect(page.locator("#slip")).to_contain_text("sales.csv: 2 machines new")
    assert call(served.url, "GET", "/v1/machines?which=all")["total"] == before + 2
    page.locator("#slip").get_by_role("button", name="Undo").click()
    expect(page.locator("#slip")).to_contain_text("Taken back")
    assert call(served.url, "GET", "/v1/machines?which=all")["total"] == before


def test_words_of_a_file_that_were_taken_for_others_are_shown(
    served: Served, opened: Opened, tmp_path: Path
) -> None:
    file = tmp_path / "sales.csv"
    file.write_text("id,drive,deck_material,sold_on,price\ns1,push,aluminum,2026-05-01,120\n")
    page = opened(served, "#/own").page
    settled(page)
    page.locator("input[type=file][accept*=csv]").set_input_files(file)
    page.get_by_text("1 word read as another").click()
    expect(page.locator(".own")).to_contain_text("aluminum")
    expect(page.locator(".own")).to_contain_text("read as")


def test_an_export_carries_pictures_and_own_terms_into_another_house(
    served: Served, adviser: Adviser, opened: Opened, tmp_path: Path
) -> None:
    page = opened(served, "#/machine/scraper/more").page
    settled(page)
    page.locator("input[type=file]").first.set_input_files(PHOTO)
    expect(page.locator("#slip")).to_contain_text("a picture of the machine is kept")
    call(served.url, "PUT", "/v1/own-terms", {"terms": {"hour_value": 33}}, 0)
    page.goto(f"{served.url}/#/own")
    settled(page)
    with page.expect_download() as download:
        page.get_by_role("link", name="Export as JSON").click()
    file = tmp_path / "records.json"
    download.value.save_as(file)
    (tmp_path / "other").mkdir()
    with serving(adviser, tmp_path / "other", demo=False) as other:
        there = opened(other, "#/own").page
        settled(there)
        there.locator("input[type=file][accept*=csv]").set_input_files(file)
        expect(there.locator(".own")).to_contain_text("1 picture new. Its own terms are taken too.")
        there.get_by_role("button", name="Read it in").click()
        expect(there.locator("#slip")).to_contain_text("10 machines new")
        pictures = [
            call(house.url, "GET", "/v1/machines/scraper/pictures")["pictures"] for house in (served, other)
        ]
        assert pictures[0] == pictures[1]
        assert call(other.url, "GET", "/v1/own-terms")["own"]["terms"] == {"hour_value": 33}


def test_a_copy_is_made_and_put_back_on_the_page(served: Served, opened: Opened) -> None:
    page = opened(served, "#/own").page
    settled(page)
    page.get_by_role("button", name="Make a copy").click()
    expect(page.locator("#slip")).to_contain_text("Copied to ")
    before = call(served.url, "GET", "/v1/machines?which=all")["total"]
    call(served.url, "POST", "/v1/machines", {"machine": {"id": "late"}, "taken_on": "2026-05-01"})
    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name=re.compile("^Put .* back$")).first.click()
    expect(page.locator("#slip")).to_contain_text("Put back from ")
    assert call(served.url, "GET", "/v1/machines?which=all")["total"] == before


def test_an_advert_goes_to_the_devices_own_share_sheet(served: Served, opened: Opened) -> None:
    """Chromium without a screen has none: what the page hands to it is what is looked at."""
    watched = opened(served, "#/bench")
    watched.page.add_init_script("navigator.share = async (what) => { window.shared = what; };")
    watched.page.goto(f"{served.url}/#/machine/scraper/advert")
    watched.page.reload()
    settled(watched.page)
    watched.page.get_by_role("button", name="Share").click()
    told = watched.page.evaluate("window.shared")
    assert told["text"] == watched.page.locator("pre.draft").inner_text()
    assert told["title"]
    assert told["title"] in told["text"]


def test_the_sheet_for_the_handle_shows_the_picture(served: Served, opened: Opened) -> None:
    page = opened(served, "#/machine/scraper/more").page
    settled(page)
    page.locator("input[type=file]").first.set_input_files(PHOTO)
    expect(page.locator("#slip")).to_contain_text("a picture of the machine is kept")
    page.goto(f"{served.url}/#/machine/scraper/advert")
    settled(page)
    page.emulate_media(media="print")
    picture = page.locator(".sheet img")
    expect(picture).to_be_visible()
    assert picture.evaluate("(image) => image.decode().then(() => image.naturalWidth)") == 512


def test_labels_of_one_word_follow_the_english_chosen(served: Served, opened: Opened) -> None:
    call(served.url, "PUT", "/v1/own-terms", {"words": "american"}, 0)
    page = opened(served, "#/take").page
    settled(page)
    page.get_by_text("More about it, if you know").click()
    deck = page.get_by_role("group", name="Deck")
    expect(deck.get_by_text("aluminum", exact=True)).to_be_visible()
    expect(deck.get_by_text("aluminium", exact=True)).to_have_count(0)


TEXTS = ("note", "maker", "model", "serial")


def test_what_is_written_in_a_field_for_words_is_kept_as_it_stands_or_refused_in_words(
    served: Served, opened: Opened
) -> None:
    """Nothing is dropped, turned or run: a record has each text whole, without the blanks around it, or none."""
    watched = opened(served, "#/take")
    watched.expected += (REFUSED,)
    page = watched.page
    settled(page)
    kept, refused = {}, []
    for number, (text, _) in enumerate(HOSTILE):
        name = f"h-{number}"
        page.get_by_label("Name on its tag").fill(name)
        for field in TEXTS:
            page.locator(f"[data-field={field}]").evaluate(
                "(node, text) => { node.value = text; node.dispatchEvent(new Event('input', { bubbles: true })); }",
                text,
            )
        page.get_by_role("button", name="Take it in").click()
        taken = page.locator("#slip", has_text=f"{name} is taken in")
        said = page.get_by_role("alert").filter(has_text="Not written down: expected")
        expect(taken.or_(said).first).to_be_visible()
        if said.count():
            refused.append(text)
            page.reload()
        else:
            kept[text] = call(served.url, "GET", f"/v1/machines/{name}")["entry"]["machine"]
            page.goto(f"{served.url}/#/bench")
            page.goto(f"{served.url}/#/take")
        settled(page)
    wrong = [
        (field, text, told.get(field))
        for text, told in kept.items()
        for field in TEXTS
        if (told.get(field) or "").strip() != text.strip()
    ]
    assert len(kept) + len(refused) == len(HOSTILE) >= 60
    assert len(kept) >= 60, "plain signs are no reason to refuse"
    assert wrong == []


def test_own_sales_in_another_money_propose_their_price_level(served: Served, opened: Opened) -> None:
    for number in range(5):
        machine = {"id": f"far-{number}", "drive": "push", "looked_over": True}
        call(served.url, "POST", "/v1/machines", {"machine": machine, "taken_on": "2026-05-01"})
        sale = {"id": machine["id"], "price": 1400 + 30 * number, "sold_on": "2026-05-20", "sure": True}
        call(served.url, "POST", "/v1/sales", sale)
    page = opened(served, "#/own").page
    settled(page)
    page.get_by_role("button", name=re.compile("^Make 7.* the price level$")).click()
    settled(page)
    expect(page.get_by_label("Price level")).to_have_value(re.compile("^7"))
    expect(page.get_by_role("button", name=re.compile("the price level$"))).to_have_count(0)


def test_where_another_law_holds_its_blade_limit_is_asked_for(served: Served, opened: Opened) -> None:
    page = opened(served, "#/own").page
    settled(page)
    expect(page.locator("#law-hint")).to_have_count(0)
    page.get_by_label("Country whose law holds").fill("NZ")
    page.get_by_label("Country whose law holds").blur()
    page.reload()
    settled(page)
    expect(page.locator("#law-hint")).to_contain_text("the seconds that the law of NZ allows")
    page.get_by_label("Seconds within which").fill("2.5")
    page.get_by_label("Seconds within which").blur()
    page.reload()
    settled(page)
    expect(page.locator("#law-hint")).to_have_count(0)


def test_no_text_is_kept_as_another_number(served: Served, opened: Opened) -> None:
    page = opened(served, "#/take").page
    settled(page)
    read = page.evaluate(
        """async (texts) => {
          const { understood } = await import('/page/code/numbers.js');
          return texts.map((text) => understood(text, { unit: 'hours', minimum: 0, maximum: 1000 }).value ?? null);
        }""",
        [text for text, _ in HOSTILE],
    )
    wrong = [
        (text, got)
        for (text, meanings), got in zip(HOSTILE, read, strict=True)
        if got is not None and not any(abs(got - each) < 1e-9 for each in meanings)
    ]
    assert wrong == []
    assert sum(got is not None for got in read) > 15, "what is plain is understood"


def test_deeds_made_without_the_server_outlive_both_being_killed(chrome: Browser) -> None:
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as folder:
        server = Server(Path(folder))
        try:
            for number in range(2):
                machine = {"machine": {"id": f"m-{number}", "drive": "push"}, "taken_on": "2026-11-01"}
                call(server.url, "POST", "/v1/machines", machine)
            phone = Phone(chrome.browser_type, Path(folder) / "browser", server.url)
            phone.ready()
            phone.page.reload()
            for number in range(2):
                phone.page.goto(f"{server.url}/#/machine/m-{number}/safe")
                settled(phone.page)
            server.kill()
            phone.list_for("m-0", 111)
            phone.kill()
            phone.open()
            expect(phone.page.locator("#queue")).to_contain_text("1 deed not written down yet")
            phone.pass_check("m-1", "handle")
            server.start()
            phone.empty()
            phone.context.close()
            assert [week["ask"] for week in weeks(server.url, "m-0")] == [111]
            checks = call(server.url, "GET", "/v1/machines/m-1")["entry"]["machine"]["checks"]
            assert checks == {"handle": "passed"}
        finally:
            server.kill()
