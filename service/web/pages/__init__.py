"""Pages for people: the board, one case, the forms, the physician's view. Made on the server; they work without script."""

from fastapi import APIRouter

from service.web.pages import assets, board, case, check_in, emergency, forms, link_office, paper, physician, sign_in

router = APIRouter()
for _part in (assets, board, physician, emergency, case, forms, link_office, check_in, paper, sign_in):
    router.include_router(_part.router)
