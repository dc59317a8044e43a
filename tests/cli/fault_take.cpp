// Writes a take of twelve blocks with two marks and prints how many frames were taken as written.
#include <array>
#include <cstdio>

#include "audio/take_writer.hpp"

using namespace pipebeat;

int main(int argc, char** argv) {
  if (argc != 2) return 2;
  auto writer = audio::TakeWriter::create(argv[1], Hertz{8000.0});
  bool good = writer.has_value();
  int frames = 0;
  for (int b = 0; good && b < 12; ++b) {
    std::array<float, 500> block{};
    for (std::size_t i = 0; i < block.size(); ++i) {
      block[i] = static_cast<float>(b * 500 + static_cast<int>(i)) / 6000.0F;
    }
    good = writer->write(block).has_value();
    if (good) frames += 500;
    // A mark that could not be written does not end a take.
    if (b % 6 == 3) static_cast<void>(writer->mark("3"));
  }
  const bool closed = writer && writer->close().has_value();
  std::printf("%d\n", frames);
  return good && closed ? 0 : 1;
}
