#!/bin/sh
# Installs what `make try` or `make test` needs and this machine lacks: from Debian's packages as
# root; otherwise it says in one message what to install. It changes nothing that is there.
set -eu

want=${1:?usage: install.sh try|test}
missing=

has() { command -v "$1" >/dev/null 2>&1; }

has_postgres() {
	[ -n "${KERFGATE_PG_BIN:-}" ] && [ -x "$KERFGATE_PG_BIN/initdb" ] && return 0
	has initdb && return 0
	for dir in /usr/lib/postgresql/*/bin /usr/pgsql-*/bin /opt/homebrew/opt/postgresql@*/bin /usr/local/opt/postgresql@*/bin; do
		[ -x "$dir/initdb" ] && return 0
	done
	return 1
}

has_postgres || missing="$missing postgresql"
if [ "$want" = test ]; then
	# The race detector needs a C compiler and the C library's headers.
	{ has gcc && echo '#include <stdlib.h>' | gcc -E - >/dev/null 2>&1; } || missing="$missing gcc libc6-dev"
	has curl || missing="$missing curl"
	has jq || missing="$missing jq"
	has chromium || has chromium-browser || missing="$missing chromium fonts-dejavu-core"
	has node || missing="$missing nodejs"
	has npm || missing="$missing npm"
fi

# What the tests hold ours against: npm packages, pinned, beside the tests that use them.
oracles() {
	[ "$want" = test ] || return 0
	cd "$(dirname "$0")/oracle"
	[ node_modules/.package-lock.json -nt package-lock.json ] && return 0
	npm ci --ignore-scripts --no-audit --no-fund --silent >&2
}

[ -z "$missing" ] && { oracles; exit 0; }

if has apt-get && [ "$(id -u)" = 0 ]; then
	echo "installing from Debian's packages:$missing" >&2
	export DEBIAN_FRONTEND=noninteractive
	apt-get update -qq >&2
	# shellcheck disable=SC2086 # a list of packages
	apt-get install -y -qq --no-install-recommends $missing >&2
	oracles
	exit 0
fi

if has apt-get; then
	echo "kerfgate needs packages that are not installed. As root:  apt-get install$missing   and then this command again." >&2
else
	echo "kerfgate needs programs that are not installed here (named as in Debian):$missing. Install them with this system's package manager, then run this command again. A PostgreSQL (14 or newer) in an unusual place is found through KERFGATE_PG_BIN, the folder that holds initdb and postgres." >&2
fi
exit 1
