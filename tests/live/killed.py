"""A session on a stream in a program of its own, for a test that kills it: address and folder are given."""

import sys
import time
from pathlib import Path

HERE = Path(__file__).parent
sys.path[:0] = [str(HERE), str(HERE.parent)]


def main(address: str, out: str) -> None:
    from stand_ins import setup_of
    from test_stream import NAME, NumberedCamera, NumberedFollower

    from needlecoach.clips.capture import open_source
    from needlecoach.clips.recorder import Recorder
    from needlecoach.live.session import Session
    from needlecoach.scored import Wish

    with open_source(address) as source, Recorder() as recorder:
        source.subscribe(recorder.see)
        camera = NumberedCamera(source)
        session = Session(
            camera,
            recorder,
            setup=setup_of(NAME),
            out=Path(out),
            wish=Wish(),
            follower_of=lambda *_: NumberedFollower(camera),
        )
        session.start()
        while True:
            attempt = session.state.attempt
            if attempt is not None and attempt.lasted_s > 3:
                print("in it", flush=True)
            time.sleep(0.1)


if __name__ == "__main__":
    main(*sys.argv[1:])
