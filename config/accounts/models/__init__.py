from config.accounts.models.access import ApiToken, IdempotencyKey, ReadLog
from config.accounts.models.people import Branch, Firm, User

__all__ = ["ApiToken", "Branch", "Firm", "IdempotencyKey", "ReadLog", "User"]
