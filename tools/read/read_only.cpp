// Reads and decodes a recording with libsndfile and does nothing with it: what listening to it costs
// at the very least. Usage: read_only FILE
#include <sndfile.h>

#include <cstdio>
#include <vector>

int main(int argc, char** argv) {
  if (argc != 2) {
    std::fputs("usage: read_only FILE\n", stderr);
    return 2;
  }
  SF_INFO info{};
  SNDFILE* const file = sf_open(argv[1], SFM_READ, &info);
  if (file == nullptr) {
    std::fprintf(stderr, "read_only: %s: %s\n", argv[1], sf_strerror(nullptr));
    return 2;
  }
  constexpr sf_count_t frames = 4096;
  std::vector<float> block(static_cast<std::size_t>(frames * info.channels));
  while (sf_readf_float(file, block.data(), frames) > 0) {
  }
  sf_close(file);
  return 0;
}
