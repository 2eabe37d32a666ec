# Types of `lukewarm.py` where it is installed: a single module cannot say it is typed (PEP 561).
from dashboard.notebook.analyze import Many as Many
from dashboard.notebook.analyze import analyze as analyze
from dashboard.notebook.analyze import analyze_many as analyze_many
from dashboard.notebook.found import Found as Found
from dashboard.notebook.pictures import plot as plot
from dashboard.notebook.pictures import report as report
from dashboard.notebook.runs import LoadedRun as LoadedRun
from dashboard.notebook.runs import load as load
from dashboard.notebook.store import Store as Store
from dashboard.notebook.store import Tuned as Tuned
from dashboard.notebook.store import compare as compare
from dashboard.notebook.store import tune as tune
from dashboard.notebook.vocabulary import causes as causes
from dashboard.notebook.vocabulary import checks as checks
from dashboard.notebook.vocabulary import figures as figures
from dashboard.notebook.vocabulary import findings as findings
from ingest.errors import LukewarmError as LukewarmError
from ingest.errors import UnusableRun as UnusableRun

def main() -> None: ...
