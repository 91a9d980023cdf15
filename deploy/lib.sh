# shellcheck shell=bash
# Set-up that deploy/demo and tests/run share: a virtual environment in the checkout, Debian packages where needed.
# Sourced with $root set to the checkout. Every failure is one sentence on standard error and exit 1.

: "${root:?set by the script that sources this}"
venv="$root/.venv"

say() { printf '%s\n' "$*" >&2; }

die() {
    say "nightrake set-up: $*"
    exit 1
}

is_root() { [[ $(id -u) -eq 0 ]]; }

# One set-up at a time in one checkout; the lock ends with the process.
lock_checkout() {
    exec 9<"$root"
    flock 9 || die "$root cannot be locked; is it on a file system without locks?"
}

# missing_packages NAME...: those Debian packages that are not installed.
missing_packages() {
    local name
    for name in "$@"; do
        dpkg-query -W -f '${db:Status-Status}\n' "$name" 2>/dev/null | grep -qx installed || printf '%s\n' "$name"
    done
}

# need_packages WHY NAME...: root installs what is missing and says what; anybody else is told in one sentence.
need_packages() {
    local why=$1
    shift
    command -v dpkg-query >/dev/null || die "$why needs these Debian packages, and this is no Debian system: $*."
    local missing
    mapfile -t missing < <(missing_packages "$@")
    [[ ${#missing[@]} -eq 0 ]] && return 0
    is_root || die "$why needs the Debian package(s) ${missing[*]}; ask for: apt-get install ${missing[*]}"
    say "Installing from Debian: ${missing[*]}"
    apt_install "${missing[@]}" || die "apt-get could not install ${missing[*]}; see its words above."
}

# A service that a package starts by itself is not used: the tests start their own peers, on free ports.
apt_install() {
    local quiet=(-y -q -o Dpkg::Use-Pty=0 --no-install-recommends)
    export DEBIAN_FRONTEND=noninteractive
    apt-get install "${quiet[@]}" "$@" </dev/null >&2 && return 0
    say "The package lists may be missing or old; fetching them."
    apt-get update -q </dev/null >&2 && apt-get install "${quiet[@]}" "$@" </dev/null >&2
}

find_python() {
    command -v python3 >/dev/null || need_packages "nightrake" python3
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' ||
        die "nightrake needs Python 3.11 or newer; this is $(python3 --version 2>&1)."
    # Debian splits ensurepip off; without it no virtual environment can be made.
    python3 -c 'import ensurepip, venv' 2>/dev/null || need_packages "making a virtual environment" python3-venv
}

# What the environment was made from: change any of it and it is made up to date again.
fingerprint() {
    { sha256sum <"$root/pyproject.toml" && python3 --version && printf '%s\n' "$root"; } | sha256sum | cut -d ' ' -f 1
}

# set_up_venv EXTRA...: the package, editable, with these extras. Quick when nothing has changed.
set_up_venv() {
    local extra print stale=0
    print=$(fingerprint)
    for extra in "$@"; do
        [[ $(cat "$venv/.set-up-$extra" 2>/dev/null) == "$print" ]] || stale=1
    done
    if [[ $stale -eq 0 ]] && "$venv/bin/python" -c 'import nightrake' 2>/dev/null; then
        return 0
    fi
    make_venv
    local list
    list=$(IFS=,; printf '%s' "$*")
    say "Installing nightrake[$list] into .venv (the first time takes a minute or two) ..."
    rm -f "$venv"/.set-up-*
    if ! "$venv/bin/python" -m pip install --disable-pip-version-check --no-input --progress-bar off \
        --editable "${root}[$list]" </dev/null 2>&1 | tee "$venv/set-up.log" | show_progress >&2; then
        tail -n 15 "$venv/set-up.log" >&2
        die "pip could not install the packages; its words are above. Is the package index reachable from here?"
    fi
    for extra in "$@"; do printf '%s' "$print" >"$venv/.set-up-$extra"; done
    say "Set-up done."
}

make_venv() {
    [[ -w $root ]] || die "$root is not writable for $(id -un); clone it where you may write."
    if [[ -d $venv ]] && ! "$venv/bin/python" -m pip --version >/dev/null 2>&1; then
        say "The .venv here does not work any more (another Python, perhaps); making it anew."
        python3 -m venv --clear "$venv" || die "python3 -m venv could not make $venv; see above."
    elif [[ ! -d $venv ]]; then
        say "Making a virtual environment in .venv ..."
        python3 -m venv "$venv" || die "python3 -m venv could not make $venv; see above."
    fi
    [[ -w $venv ]] || die ".venv belongs to another user; remove it, or run this as that user."
}

# pip's own lines, cut down to the ones that show that it goes on; all of them are in .venv/set-up.log.
show_progress() {
    local line
    while IFS= read -r line; do
        case $line in
            Collecting\ *) printf '  %s\n' "${line%% (from *}" ;;
            Installing\ collected\ packages*) printf '  Installing them ...\n' ;;
        esac
    done
}
