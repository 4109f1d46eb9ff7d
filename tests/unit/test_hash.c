/* SHA-256 against the examples of FIPS 180-4 (NIST, Cryptographic Standards, example values). */
#include "check_close.h"

#include <stdio.h>
#include <string.h>
#include <unistd.h>

#include "slotproof/hash.h"

static void test_published(void **state)
{
  (void)state;
  static const struct {
    const char *text, *digest;
  } cases[] = {
      {"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"},
      {"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
      {"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
       "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1"},
  };
  for (size_t i = 0; i < 3; i++) {
    char digest[SP_SHA256_TEXT], of_file[SP_SHA256_TEXT];
    sp_sha256(cases[i].text, strlen(cases[i].text), digest);
    assert_string_equal(digest, cases[i].digest);
    FILE *f = fopen("hash-test.tmp", "wb");
    assert_non_null(f);
    fputs(cases[i].text, f);
    assert_int_equal(fclose(f), 0);
    assert_int_equal(sp_sha256_file("hash-test.tmp", of_file, NULL), SP_OK);
    assert_string_equal(of_file, cases[i].digest);
    unlink("hash-test.tmp");
  }
}

static void test_no_file(void **state)
{
  (void)state;
  char digest[SP_SHA256_TEXT] = "x";
  assert_int_equal(sp_sha256_file("hash-test-none.tmp", digest, NULL), SP_E_NOINPUT);
  assert_string_equal(digest, "");
  assert_int_equal(sp_sha256_file(".", digest, NULL), SP_E_NOINPUT);
}

int main(void)
{
  const struct CMUnitTest tests[] = {cmocka_unit_test(test_published), cmocka_unit_test(test_no_file)};
  return cmocka_run_group_tests(tests, NULL, NULL);
}
