# Sourced by deploy/start and deploy/test: makes .venv from a lock file when it is missing or outdated.
# Needs: checkout (the project's folder).

fail() {
    echo "levelbook: $1" >&2
    exit 1
}

# LEVELBOOK_PYTHON names another one than the first of the path.
find_python() {
    for candidate in ${LEVELBOOK_PYTHON:-python3 python3.14 python3.13 python3.12 python3.11 python}; do
        if "$candidate" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
            echo "$candidate"
            return
        fi
    done
    fail "Python 3.11 or newer is needed and was not found."
}

# install_lock LOCK: install what the lock file of this name in deploy/ lists, with its hashes.
install_lock() {
    installed="$checkout/.venv/installed-$1"
    if cmp -s "$checkout/deploy/$1" "$installed"; then
        return
    fi
    if [ ! -x "$checkout/.venv/bin/python" ]; then
        python=$(find_python) || exit 1
        "$python" -c 'import ensurepip, venv' 2>/dev/null ||
            fail "$python cannot make a virtual environment: install its venv package (Debian, Ubuntu: apt-get install python3-venv)."
        "$python" -m venv "$checkout/.venv" || fail "making .venv failed: see the message above."
    fi
    echo "levelbook: installing packages from deploy/$1 (about half a minute the first time)"
    # The lock names everything, so nothing is looked for beside it: a release newer than the lock once broke the installation.
    "$checkout/.venv/bin/python" -m pip install --quiet --disable-pip-version-check --require-hashes --no-deps \
        --requirement "$checkout/deploy/$1" || fail "installing packages failed: see the message above."
    cp "$checkout/deploy/$1" "$installed"
}
