"""A sheet for the handle: one page of HTML that prints, without script or anything from elsewhere."""

from html import escape

from valuer.advice.sale.selling_documents import Listing

STYLE = (
    "body{font:14pt/1.35 sans-serif;margin:12mm;color:#000;background:#fff}h1{font-size:22pt;margin:0 0 4mm}"
    ".price{font-size:30pt;font-weight:bold;margin:0 0 5mm}pre{font:inherit;white-space:pre-wrap;margin:0}"
    ".stop{border:1.5mm solid #000;padding:4mm;font-size:20pt;font-weight:bold;margin:0 0 5mm}"
    "footer{margin-top:6mm;font-size:10pt}@page{margin:10mm}"
)
DO_NOT_RUN = "Do not run. For repair or parts. Plug lead off, fuel drained."


def sheet(listing: Listing) -> str:
    """Return the sheet of one listing, everything in it escaped."""
    if listing.refusal is not None:
        head, body = "Not for sale", f'<p class="stop">{escape(listing.refusal)}</p>'
    else:
        head = listing.title
        stop = f'<p class="stop">{DO_NOT_RUN}</p>' if listing.sold_as == "for repair" else ""
        price = f'<p class="price">{listing.price:,.0f} {escape(listing.value.currency)}</p>'
        text = listing.text.split("\n\n", 1)[1]
        body = f"{stop}{price}<pre>{escape(text)}</pre>"
    return (
        '<!doctype html><html lang="en"><head><meta charset="utf-8">'
        f"<title>{escape(head)}</title><style>{STYLE}</style></head><body><h1>{escape(head)}</h1>{body}"
        f"<footer>{escape(listing.id)}. {escape(listing.safety.statement)}</footer></body></html>\n"
    )
