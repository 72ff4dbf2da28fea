"""Plans: `shutdown`, `shutdown_strip`, `shutdown_question`, `question_form`, `what_if`, `signed`, `ride`, `size`, `programme`."""
