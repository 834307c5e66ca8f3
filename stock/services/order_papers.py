"""An order as paper, as table and as mail to its supplier."""

from __future__ import annotations

import io
import logging
from decimal import Decimal
from email.utils import parseaddr
from pathlib import Path
from smtplib import SMTPException

import segno
from django.conf import settings
from django.core.mail import EmailMessage, get_connection
from django.db import transaction
from django.utils import timezone

from config.accounts.models import Firm, User
from config.errors import Conflict, InvalidInput, ZonewrightError
from config.papers import pdf
from config.tables import Cell, csv_line
from stock.models import Order
from stock.queries.orders import order_lines
from stock.rules.order_lines import order_total
from stock.services.orders import locked_order, save_next

TEMPLATE = Path(__file__).parents[1] / "papers" / "order.typ"
COLUMNS = (
    "order", "line", "your number", "our number", "item", "quantity", "unit", "price", "total", "currency", "wanted by"
)
_ON_ITS_WAY = (Order.State.PLACED, Order.State.RECEIVED)
_MAIL_TIMEOUT_S = 15

logger = logging.getLogger("zonewright.orders")


class NotSent(ZonewrightError):
    """The mail server did not take the mail."""

    status = 502
    title = "The mail could not be sent"


def order_pdf(order: Order, *, by: User, address: str = "") -> bytes:
    """The order as a PDF for its supplier. `address`: what its code leads to; empty: without a code.

    Four statements. A draft says in its foot that it is one.
    """
    lines = order_lines(order)
    total = order_total((line.quantity, line.unit_price) for line in lines)
    firm = Firm.objects.filter(pk=1).first()
    branch = order.destination.branch
    code = io.BytesIO()
    if address:
        segno.make(address, error="m", micro=False).save(code, kind="svg", border=0, xmldecl=False, dark="#000")
    draft = order.state in {Order.State.DRAFT, Order.State.APPROVED}
    foot = "This is a draft and no order yet." if draft else None
    if order.state == Order.State.CANCELLED:
        foot = "This order was cancelled."
    name = firm.name if firm else ""
    data = {
        "title": "Draft of order" if draft else "Order",
        "number": order.number, "firm": name, "foot": foot,
        "supplier": order.supplier.name, "supplier_address": order.supplier.address,
        "destination": order.destination.name,
        "destination_address": "\n".join(part for part in (name, branch.name if branch else "") if part),
        "ordered_on": f"{order.ordered_on:%-d %b %Y}" if order.ordered_on else "not yet",
        "expected_on": f"{order.expected_on:%-d %b %Y}" if order.expected_on else "as soon as possible",
        "ordered_by": order.made_by.name if order.made_by else name,
        "currency": order.currency, "note": order.note, "qr": code.getvalue().decode(),
        "total": f"{total:,.2f}", "unpriced": sum(1 for line in lines if line.unit_price is None),
        "lines": [
            {
                "code": line.code, "name": line.item.name, "sku": line.item.sku, "quantity": f"{line.quantity:,}",
                "unit": line.item.unit, "price": _price(line.unit_price),
                "total": f"{line.total:,.2f}" if line.total is not None else "",
            }
            for line in lines
        ],
    }
    now = timezone.localtime()
    return pdf(TEMPLATE, data, printed_by=by.name, printed_at=f"{now:%-d %b %Y, %H:%M}")


def _price(price: Decimal | None) -> str:
    """Two places, or four where the price has more."""
    if price is None:
        return ""
    text = f"{price:,.4f}"
    return text[:-2] if text.endswith("00") else text


def order_csv(order: Order) -> str:
    """The order as a table (RFC 4180, with a header); no cell is run as a formula. Two statements."""
    rows: list[tuple[Cell, ...]] = [COLUMNS]
    for number, line in enumerate(order_lines(order), 1):
        rows.append(
            (
                order.number, number, line.code, line.item.sku, line.item.name, line.quantity, line.item.unit,
                _price(line.unit_price).replace(",", ""), "" if line.total is None else f"{line.total:.2f}",
                order.currency, order.expected_on,
            )
        )
    return "".join(csv_line(row) for row in rows)


@transaction.atomic
def mark_sent(order: Order, *, by: User) -> Order:
    """Note that a placed order went to its supplier by other means. Raises Conflict when it was sent already."""
    now = _unsent(order)
    now.sent_at, now.sent_to = timezone.now(), ""
    save_next(now)
    return now


@transaction.atomic
def mail_order(order: Order, *, by: User, address: str = "") -> Order:
    """Mail a placed order to its supplier with the PDF, and note it.

    The order is locked from asking whether it was sent until that is noted, so two clicks send one mail. Only a
    process that dies between the mail server's answer and the commit can lead to a second mail; both then carry the
    same Message-ID. Raises Conflict (sent already, not placed), InvalidInput (no mail address), NotSent (the mail
    server refused: the order stays unsent).
    """
    now = _unsent(order)
    if not now.supplier.email:
        raise InvalidInput(f"{now.supplier.name} has no mail address.", field="email",
                           remedy="Add one on the supplier's page, or send the PDF by other means and mark it as sent.")
    domain = parseaddr(settings.DEFAULT_FROM_EMAIL)[1].rpartition("@")[2] or "localhost"
    mail = EmailMessage(
        subject=f"Order {now.number}",
        body=(
            f"Dear {now.supplier.name},\n\nplease find our order {now.number} attached. Please confirm it, and write "
            f"its number on the delivery note.\n\n{by.name}\n"
        ),
        to=[now.supplier.email],
        headers={"Message-ID": f"<order-{now.pk}@{domain}>"},
        connection=get_connection(timeout=_MAIL_TIMEOUT_S),
    )
    mail.attach(f"{now.number}.pdf", order_pdf(now, by=by, address=address), "application/pdf")
    try:
        mail.send()
    except (OSError, SMTPException) as error:
        logger.exception("order %s could not be mailed", now.number)
        raise NotSent(
            f"Order {now.number} is placed, but the mail server did not take the mail to {now.supplier.email}.",
            field="email", value=now.supplier.email,
            remedy="Try again later, or send the PDF by other means and mark it as sent.",
        ) from error
    now.sent_at, now.sent_to = timezone.now(), now.supplier.email
    save_next(now)
    return now


def _unsent(order: Order) -> Order:
    now = locked_order(order, _ON_ITS_WAY, "sent")
    if now.sent_at is not None:
        raise Conflict(
            f"Order {now.number} was sent already on {timezone.localtime(now.sent_at):%-d %b %Y, %H:%M}"
            f"{f' to {now.sent_to}' if now.sent_to else ''}.",
            field="order", value=now.number, remedy="If it got lost, send the PDF once more by yourself.",
        )
    return now
