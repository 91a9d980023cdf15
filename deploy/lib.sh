# shellcheck shell=bash
# Set-up that deploy/demo and tests/run share: a virtual environment in the checkout, Debian packages where needed.
# Sourced with $root set to the checkout. Every failure is one sentence on standard error and exit 1.

: "${root:?set by the script that sources this}"
venv="$root/.venv"
silence_s=10 # after this long without a word from pip, say that it goes on
limit_s=1800 # more than this for one step means that nothing will come of it

say() { printf '%s\n' "$*" >&2; }

die() {
    say "nightrake set-up: $*"
    exit 1
}

# Until set_up_done: Ctrl-C and the like end it with one sentence; what is half done is made good by the next start.
trap 'say "nightrake set-up: stopped; run the same again to go on from here."; exit 130' INT TERM HUP
set_up_done() {
    trap - INT TERM HUP
    exec 9<&-
}

is_root() { [[ $(id -u) -eq 0 ]]; }

# One set-up at a time in one checkout; the lock ends with the process.
lock_checkout() {
    exec 9<"$root"
    flock -n 9 && return 0
    say "Waiting for another set-up in $root to end ..."
    flock -w "$limit_s" 9 || die "$root cannot be locked; another set-up hangs, or its file system has no locks."
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
    # A mirror that does not answer is given up within a minute.
    local patience=(-o Acquire::Retries=1 -o Acquire::http::Timeout=20 -o Acquire::https::Timeout=20)
    export DEBIAN_FRONTEND=noninteractive
    apt-get install "${quiet[@]}" "${patience[@]}" "$@" </dev/null >&2 && return 0
    say "The package lists may be missing or old; fetching them."
    apt-get update -q "${patience[@]}" </dev/null >&2 &&
        apt-get install "${quiet[@]}" "${patience[@]}" "$@" </dev/null >&2
}

find_python() {
    command -v python3 >/dev/null || need_packages "nightrake" python3
    python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null ||
        die "nightrake needs Python 3.11 or newer; this is $(python3 --version 2>&1)."
    # Debian splits ensurepip off; without it no virtual environment can be made.
    python3 -c 'import ensurepip, venv' 2>/dev/null || need_packages "making a virtual environment" python3-venv
}

# What the environment was made from: change any of it and it is made up to date again.
fingerprint() {
    local lock=$root/service/nightrake/page/npm/package-lock.json
    {
        sha256sum <"$root/pyproject.toml" && python3 --version && printf '%s\n' "$root"
        [[ ! -e $lock ]] || sha256sum <"$lock"
    } | sha256sum | cut -d ' ' -f 1
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
    say "Installing nightrake[$list] into .venv with pip (the first time takes a minute or two) ..."
    rm -f "$venv"/.set-up-*
    # pip would ask a package index that does not answer six times, fifteen seconds each.
    PIP_RETRIES=${PIP_RETRIES:-2} PIP_DEFAULT_TIMEOUT=${PIP_DEFAULT_TIMEOUT:-10} \
        timeout --foreground "$limit_s" "$venv/bin/python" -m pip install --disable-pip-version-check --no-input \
        --progress-bar off --editable "${root}[$list]" </dev/null 2>&1 |
        tee "$venv/set-up.log" | show_progress >&2 || explain_pip
    for extra in "$@"; do printf '%s' "$print" >"$venv/.set-up-$extra"; done
    say "Set-up done."
}

make_venv() {
    [[ -w $root ]] || die "$root is not writable for $(id -un); clone it where you may write."
    if [[ -d $venv ]] && ! "$venv/bin/python" -m pip --version >/dev/null 2>&1; then
        say "The .venv here does not work any more (another Python, perhaps); making it anew."
        bare_venv --clear
    elif [[ ! -d $venv ]]; then
        say "Making a virtual environment in .venv ..."
        bare_venv
    fi
    [[ -w $venv ]] || die ".venv belongs to another user; remove it, or run this as that user."
}

bare_venv() {
    local words
    words=$(python3 -m venv "$@" "$venv" 2>&1) || die "python3 -m venv could not make $venv: ${words##*$'\n'}"
}

# What pip's failure means, by its own words in the log.
explain_pip() {
    local log="$venv/set-up.log"
    if grep -qE 'Retrying \(|NewConnectionError|ConnectTimeout|ReadTimeout|Could not fetch URL' "$log"; then
        die "the package index does not answer; connect this machine, set https_proxy, or name an index that can" \
            "be reached in PIP_INDEX_URL, then run the same again (pip's words are in .venv/set-up.log)."
    fi
    local why
    why=$(grep -oE 'nightrake build: .*' "$log" | tail -n 1 || true)
    [[ -z $why ]] || die "${why#nightrake build: } Then run the same again."
    tail -n 15 "$log" >&2
    die "pip could not install the packages; its last words are above, all of them in .venv/set-up.log."
}

# pip's own lines, cut down to the ones that show that it goes on; all of them are in .venv/set-up.log.
show_progress() {
    local line ended silent_s=0 told=""
    while true; do
        IFS= read -r -t "$silence_s" line && ended=0 || ended=$?
        if [[ $ended -gt 128 ]]; then # nothing came
            silent_s=$((silent_s + silence_s))
            printf '  still at it, nothing new for %s s (waiting for the package index, or a large file) ...\n' "$silent_s"
            continue
        fi
        [[ $ended -eq 0 ]] || return 0
        silent_s=0
        case $line in
            Collecting\ *) printf '  %s\n' "${line%% (from *}" ;;
            *Installing\ build\ dependencies:\ started*) printf '  Fetching what it is built with ...\n' ;;
            *Retrying\ \(*)
                [[ -n $told ]] || printf '  The package index does not answer; trying again for a while ...\n'
                told=yes
                ;;
            Installing\ collected\ packages*) printf '  Installing them ...\n' ;;
        esac
    done
}
