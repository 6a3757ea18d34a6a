"""What the shell may finish for whoever types: machines on record, faults, fixes, steps."""

import os

import click
from click.shell_completion import CompletionItem, ShellComplete, add_completion_class

SHELLS = {
    "bash": 'valuer completion bash > ~/.valuer-completion.bash && echo ". ~/.valuer-completion.bash" >> ~/.bashrc',
    "zsh": 'valuer completion zsh > ~/.valuer-completion.zsh && echo ". ~/.valuer-completion.zsh" >> ~/.zshrc',
    "fish": "valuer completion fish > ~/.config/fish/completions/valuer.fish",
    "powershell": "valuer completion powershell >> $PROFILE",
}
"""Shells that are served, and what switches it on in each for good."""


POWERSHELL = """\
Register-ArgumentCompleter -Native -CommandName %(prog_name)s -ScriptBlock {
    param($typing, $line, $cursor)
    $before = $line.CommandElements | Where-Object { $_.Extent.EndOffset -lt $cursor } | ForEach-Object {
        if ($null -ne $_.Value) { $_.Value } else { $_.Extent.Text }
    }
    $env:COMP_WORDS = $before -join "`n"
    $env:COMP_CWORD = $typing
    $env:%(complete_var)s = "powershell_complete"
    try {
        %(prog_name)s | Where-Object { $_ } | ForEach-Object {
            $word, $about = $_ -split "`t", 2
            [System.Management.Automation.CompletionResult]::new($word, $word, "ParameterValue", $about)
        }
    } finally {
        Remove-Item Env:COMP_WORDS, Env:COMP_CWORD, Env:%(complete_var)s
    }
}
"""


@add_completion_class
class PowerShell(ShellComplete):
    """PowerShell, which click does not know: words before the cursor a line each, answers a word and what it is."""

    name = "powershell"
    source_template = POWERSHELL

    def get_completion_args(self) -> tuple[list[str], str]:
        """The words before the one being typed, and that one."""
        before = os.environ.get("COMP_WORDS", "").split("\n")[1:]
        return before, os.environ.get("COMP_CWORD", "").strip("'\"")

    def format_completion(self, item: CompletionItem) -> str:
        """A word and what it is; where a file is meant PowerShell finds it by itself."""
        return f"{item.value}\t{item.help or item.value}"

    def complete(self) -> str:
        """Everything that may stand there, a line each; nothing at all where it may be a file."""
        args, incomplete = self.get_completion_args()
        found = self.get_completions(args, incomplete)
        return "\n".join(self.format_completion(item) for item in found if item.type == "plain")


def machines(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:  # noqa: ARG001
    """The machines on record whose id begins so, with what is wrong with each; none where they cannot be read."""
    from valuer.cli.asked import on_record

    try:
        there = on_record(None)
    except click.ClickException:
        return []
    return [
        CompletionItem(machine.id, help=", ".join(str(each) for each in machine.faults[:2]) or None)
        for machine in there
        if machine.id.startswith(incomplete)
    ]


def machines_and_files(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:
    """The machines on record and, where none is called so, the files there are."""
    return machines(ctx, param, incomplete) or [CompletionItem(incomplete, type="file")]


def faults(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:  # noqa: ARG001
    """The faults of the catalogue whose id begins so."""
    from valuer.domain.faults import fault_catalogue

    return [
        CompletionItem(each.id, help=each.name)
        for each in fault_catalogue().values()
        if each.id.startswith(incomplete)
    ]


def steps(ctx: click.Context, param: click.Parameter, incomplete: str) -> list[CompletionItem]:  # noqa: ARG001
    """What may be done: the fixes, looks and checks of the catalogue whose id begins so."""
    from valuer.domain.fixes import fix_catalogue
    from valuer.domain.gates import gate_catalogue
    from valuer.domain.symptoms import looks, symptom_catalogue

    named = {each.id: each.name for each in fix_catalogue().values()}
    named |= {look.id: look.name for symptom in symptom_catalogue().values() for look in looks(symptom)}
    named |= {gate.id: gate.test for gate in gate_catalogue().values()}
    return [CompletionItem(name, help=about) for name, about in named.items() if name.startswith(incomplete)]


@click.command()
@click.argument("shell", required=False)
def completion(shell: str | None) -> None:
    """Let the shell finish words for you.

    For bash, zsh, fish or PowerShell. Without SHELL it says what to run; after that the tab key finishes commands,
    options, machines on record, faults, fixes, looks and months.
    """
    from click.shell_completion import get_completion_class

    from valuer.cli import cli
    from valuer.domain.words import one_of

    if shell is None:
        for name, command in SHELLS.items():
            click.echo(f"{name}: {command}")
        return
    served = get_completion_class(shell) if shell in SHELLS else None
    if served is None:
        raise click.ClickException(one_of("shell", shell, SHELLS))
    click.echo(served(cli, {}, "valuer", "_VALUER_COMPLETE").source())
