"""Who asks: against the worked examples of the standards."""

import pytest

from lapsed.camera import http_auth
from lapsed.camera.http_auth import Digest, basic, bearer, challenged, digest

# RFC 7616, section 3.9.1: the two challenges and the answers to them.
REALM = "http-auth@example.org"
NONCE = "7ypf/xlj9XXwfDPEoM4URrv/xwf94BcCAzFZH4GiTo0v"
OPAQUE = "FQhe/qaU925kfnzjCev0ciny7QMkPqMAFRtzCUYo5tdS"
COMMON = f'realm="{REALM}", qop="auth, auth-int", nonce="{NONCE}", opaque="{OPAQUE}"'
CNONCE = "f2/wE4q74E6zIJEtWaHKaf5wv/H5QzzpXusqGemxURZJ"
ANSWERS = {
    "MD5": "8ca523f5e9506fed4657c9700eebdbec",
    "SHA-256": "753927fa0e85d155564e2e272a28d1802ca10daf4496794697cf8db5856cb6c1",
}


@pytest.mark.parametrize(("algorithm", "answer"), ANSWERS.items())
def test_digest_answers_as_in_the_standard(algorithm, answer):
    challenge = challenged([f"Digest {COMMON}, algorithm={algorithm}"])
    assert challenge == Digest(REALM, NONCE, algorithm, OPAQUE, qop=True)
    header = digest(challenge, "Mufasa", "Circle of Life", uri="/dir/index.html", nonce=CNONCE)
    assert f'response="{answer}"' in header
    assert "nc=00000001, cnonce=" in header


def test_a_challenge_without_qop_is_answered_in_the_old_way():
    # RFC 2069, section 2.4, with the response as corrected by its erratum 749.
    nonce = "dcd98b7102dd2f0e8b11d0f600bfb0c093"
    challenge = challenged([f'Digest realm="testrealm@host.com", nonce="{nonce}"'])
    header = digest(challenge, "Mufasa", "CircleOfLife", uri="/dir/index.html", nonce="x")
    assert 'response="1949323746fe6a43ef61f9606e7febea"' in header
    assert "qop" not in header


def test_the_strongest_challenge_that_is_known_is_answered():
    strong, weak = f"Digest {COMMON}, algorithm=SHA-256", f"Digest {COMMON}, algorithm=MD5"
    for headers in ([weak, strong], [strong, weak], ['Basic realm="x"', weak, strong]):
        assert challenged(headers).algorithm == "SHA-256"
    assert challenged(['Basic realm="x"']) == "basic"
    assert challenged(['Digest realm="x", nonce="y", algorithm=UNHEARD-OF', 'basic realm="x"']) == "basic"
    assert challenged(['Digest realm="no nonce"', "Negotiate", ""]) is None


def test_a_session_algorithm_hashes_the_nonces_into_the_secret():
    # RFC 7616, section 3.4.2: A1 = H(user:realm:password):nonce:cnonce; both reckoned step by step with md5sum.
    for algorithm, answer in {
        "MD5": "490ab2d682267b3630d3509d981b982d",
        "MD5-sess": "6e4aac8b22e97762f88ccd0d5ccf5b1d",
    }.items():
        header = digest(Digest("r", "n", algorithm, qop=True), "u", "p", uri="/", nonce="c")
        assert f'response="{answer}"' in header


def test_basic_and_bearer_read_as_in_the_standards():
    # RFC 7617, sections 2 and 2.1 (the second with charset UTF-8); RFC 6750, section 2.1.
    assert basic("Aladdin", "open sesame") == "Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ=="
    assert basic("test", "123\u00a3") == "Basic dGVzdDoxMjPCow=="
    assert bearer("mF_9.B5f-4.1JqM") == "Bearer mF_9.B5f-4.1JqM"


def test_quotes_in_a_realm_go_there_and_back():
    challenge = challenged([r'Digest realm="the \"pier\"", nonce="n"'])
    assert challenge.realm == 'the "pier"'
    assert r'realm="the \"pier\""' in http_auth.digest(challenge, "u", "p", uri="/", nonce="c")
