"""The keys of a site file: their types, ranges and words for people."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from benchd.config_keys import Keys, Text

File = Annotated[str, Field(min_length=1, max_length=500, description="the path of a file")]
Variable = Annotated[
    str, Field(min_length=1, max_length=200, description="the name of a variable of the environment, such as 'TOKEN'")
]
Name = Annotated[str, Field(min_length=1, max_length=100, description="a text of up to 100 characters")]
Flag = Annotated[bool, Field(description="true or false")]
TimeOfDay = Annotated[
    str,
    Field(
        pattern=r"^([01][0-9]|2[0-3]):[0-5][0-9]$",
        description='a time of day in quotes, from "00:00" to "23:59"',
    ),
]
DAYS = ("mon", "tue", "wed", "thu", "fri", "sat", "sun")
Day = Annotated[str, Field(pattern=f"^({'|'.join(DAYS)})$", description=f'days such as "mon": {", ".join(DAYS)}')]
Seconds = Annotated[float, Field(gt=0, le=3600, description="seconds, a number above 0 and up to 3600")]


class SiteKeys(Keys):
    name: Name
    min_free_mebibytes: Annotated[float, Field(ge=16, le=1e6, description="mebibytes, a number from 16 to 1000000")] = (
        256.0
    )


class BenchEntryKeys(Keys):
    file: Annotated[
        str, Field(min_length=1, max_length=500, description="the path of a bench file, or the bare name of one")
    ]
    slug: (
        Annotated[
            str,
            Field(
                pattern=r"^[a-z0-9]([a-z0-9-]{0,38}[a-z0-9])?$",
                description="up to 40 small letters, digits and hyphens, such as 'bay-1'",
            ),
        ]
        | None
    ) = None


class ServerKeys(Keys):
    listen: Annotated[
        str, Field(min_length=1, max_length=300, description='an address and a port, such as "127.0.0.1:8477"')
    ] = "127.0.0.1:8477"
    certificate: File | None = None
    key: File | None = None
    allowed_hosts: Annotated[
        list[
            Annotated[
                str,
                Field(
                    pattern=r"^[A-Za-z0-9]([A-Za-z0-9.-]{0,251}[A-Za-z0-9])?$",
                    description='names without scheme and port, such as "bench.example"',
                ),
            ]
        ],
        Field(max_length=50, description='a list of names, such as ["bench.example"]'),
    ] = Field(default_factory=list)
    max_body_bytes: Annotated[
        int, Field(ge=1024, le=16 * 1024 * 1024, description="a whole number of bytes from 1024 to 16777216")
    ] = 256 * 1024
    requests_per_s: Annotated[
        float, Field(ge=1, le=100_000, description="requests a second, a number from 1 to 100000")
    ] = 50.0
    loopback_looks: Flag = True


class SeriesKeys(Keys):
    url: Annotated[str, Field(min_length=1, max_length=500, description="the store's address, 'https://HOST:PORT'")]
    org: Name = "benchd"
    bucket: Name = "benchd"
    token_file: File | None = None
    token_env: Variable | None = None
    ca_file: File | None = None
    readings: Flag = False
    batch: Annotated[int, Field(ge=1, le=50_000, description="a whole number of points from 1 to 50000")] = 5000
    flush_s: Seconds = 1.0
    timeout_s: Seconds = 10.0
    back_off_s: Annotated[
        list[Seconds], Field(min_length=2, max_length=2, description="two numbers of seconds, [first, longest]")
    ] = Field(default_factory=lambda: [1.0, 60.0])
    resend_s: Annotated[float, Field(ge=0, le=86_400, description="seconds, a number from 0 to 86400")] = 60.0


class MqttKeys(Keys):
    host: Annotated[
        str, Field(pattern=r"^[A-Za-z0-9.:_-]{1,253}$", description="the broker's name or address, without a port")
    ]
    port: Annotated[int, Field(ge=1, le=65535, description="a port number from 1 to 65535")] | None = None
    tls: Flag = False
    ca_file: File | None = None
    user: Name | None = None
    password_file: File | None = None
    password_env: Variable | None = None
    prefix: Annotated[
        str,
        Field(
            pattern=r"^[A-Za-z0-9_-]+(/[A-Za-z0-9_-]+){0,7}$",
            max_length=100,
            description="the beginning of all topics, letters, digits, '-' and '_' with '/' between, such as \"shop/benches\"",
        ),
    ] = "benchd"
    sample_every_s: Annotated[float, Field(ge=0, le=3600, description="seconds, a number from 0 (all) to 3600")] = 1.0
    commands: Flag = False


class RetentionKeys(Keys):
    raw_days: Annotated[float, Field(gt=0, le=36_500, description="days, a number above 0 and up to 36500")] | None = (
        None
    )
    step_s: Annotated[float, Field(ge=0.5, le=3600, description="seconds, a number from 0.5 to 3600")] = 10.0
    at: TimeOfDay = "03:30"


class ScheduleKeys(Keys):
    bench: Name
    procedure: Name
    spec: Text
    at: Annotated[list[TimeOfDay], Field(min_length=1, max_length=100, description='a list of times of day, ["07:30"]')]
    days: Annotated[list[Day], Field(min_length=1, max_length=7, description='a list of days, ["mon", "tue"]')] = Field(
        default_factory=lambda: list(DAYS)
    )
    work_order: Name | None = None
    unit: Name | None = None


class SiteFile(Keys):
    site: Annotated[SiteKeys, Field(description="a [site] table with a name")]
    bench: Annotated[
        list[BenchEntryKeys],
        Field(min_length=1, max_length=1000, description="at least one [[bench]] table with a file"),
    ]
    server: Annotated[ServerKeys, Field(description="a [server] table")] = ServerKeys()
    series: Annotated[SeriesKeys | None, Field(description="a [series] table")] = None
    mqtt: Annotated[MqttKeys | None, Field(description="an [mqtt] table")] = None
    retention: Annotated[RetentionKeys, Field(description="a [retention] table")] = RetentionKeys()
    schedule: Annotated[list[ScheduleKeys], Field(max_length=1000, description="[[schedule]] tables")] = Field(
        default_factory=list
    )
