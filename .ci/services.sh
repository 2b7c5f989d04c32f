# PostgreSQL and Redis on loopback for tests: `start_services` exports KEYSLIP_TEST_DATABASE_URL and KEYSLIP_TEST_BROKER_URL,
# `stop_services` ends both. Data lives in a folder under /tmp, because the user postgres may not enter a clone below
# root's home; it is thrown away.

free_port() {
    python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'
}

as_postgres() {
    if [ "$(id -u)" = 0 ]; then (cd / && runuser -u postgres -- "$@"); else "$@"; fi
}

start_services() {
    services_folder=$(mktemp -d /tmp/keyslip-services-XXXXXX)
    chmod 755 "$services_folder"
    mkdir "$services_folder/postgres" "$services_folder/redis"
    if [ "$(id -u)" = 0 ]; then chown postgres "$services_folder/postgres"; fi
    postgres_bin=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -n 1)
    postgres_bin=${postgres_bin:-$(dirname "$(command -v pg_ctl)")}
    local postgres_port redis_port
    postgres_port=$(free_port)
    redis_port=$(free_port)
    as_postgres "$postgres_bin/initdb" --pgdata "$services_folder/postgres/data" --username postgres --auth trust \
        --encoding UTF8 --no-sync >"$services_folder/postgres.log" 2>&1 || { cat "$services_folder/postgres.log"; return 1; }
    as_postgres "$postgres_bin/pg_ctl" --pgdata "$services_folder/postgres/data" --wait --silent \
        --log "$services_folder/postgres/log" --options \
        "-c listen_addresses=127.0.0.1 -c port=$postgres_port -c unix_socket_directories='' -c fsync=off -c full_page_writes=off" \
        start || { cat "$services_folder/postgres/log"; return 1; }
    redis-server --bind 127.0.0.1 --port "$redis_port" --save '' --appendonly no --dir "$services_folder/redis" \
        --daemonize yes --pidfile "$services_folder/redis/pid" --logfile "$services_folder/redis/log" >/dev/null
    for _ in $(seq 100); do redis-cli -p "$redis_port" ping >/dev/null 2>&1 && break; sleep 0.1; done
    redis-cli -p "$redis_port" ping >/dev/null
    export KEYSLIP_TEST_DATABASE_URL="postgres://postgres@127.0.0.1:$postgres_port/postgres"
    export KEYSLIP_TEST_BROKER_URL="redis://127.0.0.1:$redis_port/0"
}

stop_services() {
    [ -n "${services_folder:-}" ] || return 0
    if [ -f "$services_folder/redis/pid" ]; then kill "$(cat "$services_folder/redis/pid")" 2>/dev/null || true; fi
    as_postgres "$postgres_bin/pg_ctl" --pgdata "$services_folder/postgres/data" --mode immediate --silent stop \
        >/dev/null 2>&1 || true
    rm -rf "$services_folder"
    unset KEYSLIP_TEST_DATABASE_URL KEYSLIP_TEST_BROKER_URL services_folder
}
