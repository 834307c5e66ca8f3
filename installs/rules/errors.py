"""What a rule refuses: the same error in every app."""

from stock.rules.errors import RuleError

__all__ = ["RuleError"]
